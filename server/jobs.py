"""The background jobs: thin calls into `scheduling`, each safe to run twice at once and again after any failure.

Three kinds, so that none waits for another: drawing takes long, watching must not, and whoever is told may not answer.
The embedded default runs a loop of each in the server's own process; a fleet runs the same functions as Celery tasks
(`server.celery_tasks`), with workers of its own for each kind.
"""

from __future__ import annotations

import logging
import threading
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from datetime import timedelta
from functools import partial

from django.conf import settings
from django.db import close_old_connections

from machines.clock import Clock
from scheduling.answers.watch_openings import watch_openings
from scheduling.background.extend_plans import extend_plans, extend_run, nobody, runs_due
from scheduling.background.redraw_plates import redraw_lost
from scheduling.background.sample_clocks import sample_clocks
from scheduling.background.tidy_plates import tidy_for_a_while
from scheduling.background.watch_silence import watch_silence
from scheduling.log.projecting.projector import ViewsSetAside
from scheduling.log.projecting.take_snapshots import take_snapshots
from scheduling.rendering.kept_files import StoreAway
from scheduling.telling.amiss import amiss_now
from scheduling.telling.keeping import forget_old, keep_look, plan_messages
from scheduling.telling.recipients import all_recipients
from server import wiring
from server.metrics.tallies import job_failed
from server.own_work import done, late, listens_since, tried
from server.telling.delivery import send_due

logger = logging.getLogger(__name__)

# How often the loop looks whether a job is due, in seconds that really pass, however fast its clock runs.
LOOK_EVERY_S = 0.2
# For how long plates are drawn in one go, in seconds that really pass; the last of them is drawn to its end. What is
# left comes with the job's next time, and the others of those who draw wait no longer than that.
DRAW_FOR_S = 60.0


@dataclass(frozen=True)
class Job:
    """Something to be done again and again.

    Attributes:
        name: for the log and for Celery.
        period_s: from the beginning of one time to that of the next, seconds of the process's clock.
        run: does it once, and says how many things it changed; None where somebody else is at it.
    """

    name: str
    period_s: float
    run: Callable[[], int | None]


def _for_a_while() -> Callable[[], bool]:
    """Whether there is still time to draw, of what begins now."""
    clock = wiring.clock()
    begun = clock.elapsed()
    return lambda: clock.real_s(clock.elapsed() - begun) < DRAW_FOR_S


def extend(tell: Callable[[str, Exception | None], None] = nobody) -> int:
    """Plan ahead and draw plates, for a while; returns how many segments were added. Who is to know is told of each run
    how it went."""
    return extend_plans(wiring.now(), wiring.horizon(), wiring.plates(), wiring.uploads(), _for_a_while(), tell)


def due() -> list[str]:
    """Ids of the runs of which something is to be planned now."""
    return runs_due(wiring.now(), wiring.horizon())


def extend_one(run: str, tell: Callable[[str, Exception | None], None] = nobody) -> int | None:
    """Plan one run ahead and draw its plates, for a while; returns how many segments were added, None where somebody
    else is at it. Who is to know is told how it went."""
    given = (wiring.now(), wiring.horizon(), wiring.plates(), wiring.uploads(), _for_a_while(), tell)
    return extend_run(run, *given)


def watch() -> int:
    """Begin and end silences, and keep how surely boards know the time; returns how many silences changed. Nobody is
    silent because no server listened."""
    changed = watch_silence(wiring.now(), wiring.silent_after(), listens_since())
    sample_clocks(wiring.now())
    return changed


def doubt() -> int:
    """Hold openings that come soon against what is planned; returns at how many machines something changed."""
    return watch_openings(wiring.now())


def redraw() -> int | None:
    """Draw plates anew that the disk has lost, for a while; returns how many, None where somebody else is at it."""
    return redraw_lost(wiring.plates(), wiring.uploads(), has_time=_for_a_while())


def watch_store() -> int:
    """See whether plates and uploads can be kept and read now.

    Raises:
        StoreAway: they cannot.
        OSError: the disk on which they lie is full, or cannot be written.
    """
    wiring.plates().files.require_answers()
    wiring.uploads().files.require_answers()
    return 0


def tidy() -> int | None:
    """Remove old plates that nobody is to print from any more, as the settings say, for a while; returns how many, None
    where somebody else is at it."""
    days, most_mb = settings.TIDY_AFTER_D, settings.PLATES_MOST_MB
    if not days and not most_mb:
        return 0
    older_than = timedelta(days=days) if days else timedelta.max
    at_most = most_mb * 1_000_000 if most_mb else None
    return tidy_for_a_while(wiring.plates(), wiring.uploads(), wiring.now(), older_than, at_most, _for_a_while())


def snapshots() -> int | None:
    """Keep how runs and machines stand where that is due, for a while; returns how many, None where somebody else is at
    it. Nothing but how long a question of the past takes depends on it."""
    return take_snapshots(has_time=_for_a_while())


def look() -> int:
    """Find what is amiss, and have messages made of what people are to be told of it; returns how many were made.
    Where nobody is to be told of anything, nothing is looked for; what is old is forgotten all the same."""
    now = wiring.now()
    forget_old(now)
    if not all_recipients().recipients:
        return 0
    keep_look(amiss_now(now, wiring.plates(), wiring.free_room(), late()), now)
    return plan_messages(now)


def send() -> int:
    """Send what is to be sent; returns how many messages were taken."""
    return send_due(wiring.now, wiring.chance())


def _job(name: str, run: Callable[[], int | None]) -> Job:
    return Job(name, settings.OWN_WORK_EVERY_S[name], run)


_BESIDE_PLANS = (_job("redraw-plates", redraw), _job("tidy-plates", tidy), _job("take-snapshots", snapshots))
DRAWING = (_job("extend-plans", extend), *_BESIDE_PLANS)
WATCHING = (
    _job("watch-silence", watch),
    _job("watch-openings", doubt),
    _job("watch-store", watch_store),
    _job("look-amiss", look),
)
SENDING = (_job("send-messages", send),)


def drawing() -> tuple[Job, ...]:
    """What draws, of a server that does it in its own process: how each run went is kept at once, so that one which
    cannot be planned is not taken for nobody who plans."""
    return (_job("extend-plans", partial(extend, tried)), *_BESIDE_PLANS)


def run_once(job: Job) -> bool:
    """Do a job once. A failure is logged, and the job's next time tries again; returns whether it went well, which
    nobody knows yet where somebody else is at it."""
    close_old_connections()
    try:
        changed = job.run()
    except ViewsSetAside as aside:
        logger.error("job %s waits, as what it stands on is %s", job.name, aside)
        return False
    except StoreAway as away:
        logger.error("job %s waits: %s", job.name, away)
        job_failed(job.name)
        return False
    except Exception:  # whatever it is, the other jobs go on
        logger.exception("job %s failed; it is tried again in %g s", job.name, job.period_s)
        job_failed(job.name)
        return False
    finally:
        close_old_connections()
    if changed:
        logger.info("job %s: %d changed", job.name, changed)
    return changed is not None


def run_loop(jobs: Sequence[Job], clock: Clock, stop: threading.Event) -> None:
    """Do each job at once and then at its period, one at a time, until told to stop."""
    due_at = dict.fromkeys(jobs, clock.elapsed())
    while not stop.is_set():
        for job in jobs:
            if clock.elapsed() >= due_at[job] and not stop.is_set():
                due_at[job] = clock.elapsed() + job.period_s
                if run_once(job):
                    done(job.name)
        stop.wait(LOOK_EVERY_S)
