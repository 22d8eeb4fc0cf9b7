"""When the server's own work was done, of which each process tells the others by the database: see
`scheduling.background.own_work`. What the work is, stands in `server.jobs`.

It is told by the time that really passes, however fast the server's clock runs: it is of processes, not of machines.
"""

from __future__ import annotations

import logging
import threading
from collections.abc import Iterator
from datetime import datetime, timedelta

from django.conf import settings
from django.db import Error, close_old_connections

from scheduling.background.own_work import LateWork, WorkStands, late_work, listened_for, work_stands
from scheduling.log.beside import (
    LISTENS,
    expect_own_work,
    forget_own_work,
    keep_listening,
    keep_own_work,
    keep_planned,
    keep_unplanned,
)
from server import wiring

logger = logging.getLogger(__name__)

# How much later than its period it may be before that is told: what is done every half a minute is late two minutes
# after it was done last. Only drawing takes long: a fleet ends it in half an hour, and a server alone draws for a
# minute at a time, and its last plate to the end.
WATCHING_LATE_AFTER, DRAWING_LATE_AFTER = timedelta(seconds=90), timedelta(minutes=35)
# For how long nobody may listen to boards, or a run not be planned.
LATE_AFTER = timedelta(minutes=2)
# How often it is written that it is done: what is done every few seconds would write as often.
KEPT_EVERY = timedelta(seconds=20)

_DRAWS = {"extend-plans", "redraw-plates", "tidy-plates", "take-snapshots"}
ALLOWED = {
    name: timedelta(seconds=period_s) + (DRAWING_LATE_AFTER if name in _DRAWS else WATCHING_LATE_AFTER)
    for name, period_s in settings.OWN_WORK_EVERY_S.items()
}
# What is said by whoever draws for a fleet, as long as they live: they may be at one plate for long. It is missed from
# where it was once said.
DRAWER = "draw"
_SAID = {DRAWER: KEPT_EVERY + WATCHING_LATE_AFTER}
_kept: dict[str, datetime] = {}


def pause() -> timedelta:
    """For how long nobody may say that they listen, before nobody is taken to: short beside how long a board may be
    silent, which goes by the server's clock."""
    silent_s = wiring.clock().real_s(wiring.silent_after().total_seconds())
    return min(LATE_AFTER, timedelta(seconds=silent_s / 2))


def listen() -> None:
    """Say that this process listens to boards. Where nobody did for a while, all of the server's own work is expected
    from now on, by whomever. It says so too where its database does not answer yet."""
    now = wiring.really_now()
    try:
        away = keep_listening(now, pause())
        anew = away is None or away > LATE_AFTER
        expect_own_work([*ALLOWED, *(work_stands(_SAID) if anew else ())], now, anew)
    except Error as error:
        logger.warning("that this server listens, and what it is to do by itself, cannot be written: %s", error)


def listen_until(stop: threading.Event) -> None:
    """Say so again and again, until told to stop."""
    while not stop.wait(min(KEPT_EVERY, pause() / 6).total_seconds()):
        close_old_connections()
        listen()
    close_old_connections()


def listens_since() -> datetime | None:
    """Since when somebody listens to boards without a pause, by the server's clock; None where that is not known."""
    listened = listened_for(pause(), wiring.really_now())
    return None if listened is None else wiring.now() - listened / wiring.clock().real_s(1.0)


def late() -> tuple[LateWork, ...]:
    """What is not done."""
    return late_work(ALLOWED | _SAID | {LISTENS: LATE_AFTER + KEPT_EVERY}, LATE_AFTER, wiring.really_now())


def stands() -> Iterator[tuple[str, WorkStands, timedelta, timedelta]]:
    """All that is expected: its name, how it stands, how often it is to be done, and after how long it is late."""
    every = {name: timedelta(seconds=period_s) for name, period_s in settings.OWN_WORK_EVERY_S.items()}
    for name, one in work_stands(ALLOWED | _SAID).items():
        yield name, one, every.get(name, KEPT_EVERY), (ALLOWED | _SAID)[name]


def draws_itself() -> None:
    """Expect no drawer to say that it lives: who serves draws, too. What a fleet said that there was before is gone."""
    try:
        forget_own_work(DRAWER)
    except Error as error:
        logger.warning("that no drawer is needed cannot be written: %s", error)


def done(name: str) -> None:
    """Keep that some of it went well. Where that cannot be written, for whatever reason, it will seem late, as all else
    is then; who did it goes on."""
    now, before = wiring.really_now(), _kept.get(name)
    if before is not None and abs(now - before) < KEPT_EVERY:
        return
    try:
        keep_own_work(name, now)
        _kept[name] = now
    except Error as error:
        logger.warning("that job %s is done cannot be written: %s", name, error)


def tried(run: str, error: Exception | None) -> None:
    """Keep how planning a run went: that somebody plans, however it went, and apart from that whether it could be
    planned."""
    done("extend-plans")
    try:
        if error is None:
            keep_planned(run)
        else:
            keep_unplanned(run, wiring.really_now())
    except Error as refused:
        logger.warning("whether run %s can be planned cannot be written: %s", run, refused)
