"""The rates of what goes wrong, as a machine's own log tells them, with how long it has been printing."""

from __future__ import annotations

from collections import Counter, defaultdict
from collections.abc import Iterator, Sequence
from dataclasses import replace
from datetime import UTC, datetime, timedelta

from machines.recovery import Gap
from machines.serialization import structure
from scheduling.log.event_records import facts
from scheduling.log.events import EVENT_KINDS
from scheduling.log.events.equipment import MachineCalibrated
from scheduling.log.events.server import SilenceBegan, SilenceEnded
from scheduling.log.models import HandUse, Outage, Run
from scheduling.planning.local_spans import Instants
from scheduling.queries.runs import machine_of, recesses_of, runs_standing
from scheduling.rehearsal.rates import COMMON, DAY_S, HOUR_S, Rate, Rates
from scheduling.venues.run_recesses import recesses_closed

# The causes that nodes name, by what is assumed here.
OF_CAUSE = {"power": "power", "jam": "jam", "machine": "part"}
# While a board is off or being seen to, its silence tells nothing of the network.
BOARD_AWAY = ("power", "service", "board", "clock")
NOBODY_LOOKED = f"nobody has looked at this machine's nozzles yet ({COMMON})"


def printing_days(machine: str, now: datetime) -> float:
    """For how long runs of a machine have been under way until now, days."""
    return _days(span for _, span in _under_way(machine, now))


def rates_of(machine: str, now: datetime, typical: Rates) -> Rates:
    """The typical rates, with what the log of a machine tells: of power cuts, jams and failures by its outages, of the
    network by silences in which its board was there, of nozzles by those that its checks showed to be dead. A cut of
    which it is not known when it began counts among them, and not in how long they last.

    Args:
        machine: its id.
        now: until when it is looked at, UTC.
        typical: what is taken of a machine without a log.

    Raises:
        ClosedAway: it, or its venue, was closed into an archive.
    """
    under_way = list(_under_way(machine, now))
    days = _days(span for _, span in under_way)
    # Paper jams only where it moves.
    moving = days - _days(span for run, of_run in under_way for span in _rests(run, of_run))
    counts, lasted = Counter[str](), defaultdict[str, list[float]](list)
    away = list[Instants]()
    for cause, told in Outage.objects.filter(machine_id=machine, noticed_at__lt=now).values_list("cause", "gap"):
        gap = structure(told, Gap)
        if cause in BOARD_AWAY:
            away.append((gap.missing_since or gap.noticed_at, gap.noticed_at))
        if (name := OF_CAUSE.get(cause)) is None:
            continue
        counts[name] += 1
        if gap.missing_since is not None:
            lasted[name].append(max(0.0, (gap.noticed_at - gap.missing_since).total_seconds() / HOUR_S))
    silences = list(_silences(machine, away, now))
    return replace(
        typical,
        power=typical.power.seen(counts["power"], days, lasted["power"]),
        network=typical.network.seen(len(silences), days, [one for one in silences if one is not None]),
        jam=typical.jam.seen(counts["jam"], moving),
        part=typical.part.seen(counts["part"], days),
        nozzle=_nozzles(machine, under_way, now, typical.nozzle),
    )


def _under_way(machine: str, until: datetime) -> Iterator[tuple[Run, Instants]]:
    """The runs of a machine that have begun by an instant, each with its span until then."""
    for run in runs_standing(machine).filter(starts_at__lt=until).order_by("starts_at", "id"):
        yield run, (run.starts_at, min(run.ends_at, until))


def _rests(run: Run, within: Instants) -> Iterator[Instants]:
    """The spans of a run in which nothing of it was laid, as it is known now."""
    venue = machine_of(run).venue
    begins, ends = within
    spans = [(one.starts_at, one.ends_at or ends) for one in recesses_of(run)]
    spans += [(one.starts_at, one.ends_at or ends) for one in recesses_closed(run, venue, begins, ends)]
    reached = begins
    for first, last in sorted(spans):
        if (start := max(first, reached)) < (end := min(last, ends)):
            yield start, end
            reached = end


def _days(spans: Iterator[Instants]) -> float:
    return sum(max(0.0, (ends - begins).total_seconds()) for begins, ends in spans) / DAY_S


def _silences(machine: str, away: Sequence[Instants], now: datetime) -> Iterator[float | None]:
    """How many hours each silence lasted in which nothing else is known to have kept the board from being heard; None
    of one that has not ended."""
    kinds = {EVENT_KINDS[SilenceBegan], EVENT_KINDS[SilenceEnded]}
    began: datetime | None = None
    for one in facts(stream=f"machine/{machine}", kinds=kinds, using="default"):
        if isinstance(one.event, SilenceBegan):
            began = one.event.last_heard_at
        elif isinstance(one.event, SilenceEnded) and began is not None:
            ended, begins, began = began + timedelta(seconds=one.event.silent_s), began, None
            if not any(first < ended and last > begins for first, last in away):
                yield one.event.silent_s / HOUR_S
    if began is not None and began < now and not any(last > began for _, last in away):
        yield None


def _nozzles(machine: str, under_way: Sequence[tuple[Run, Instants]], now: datetime, typical: Rate) -> Rate:
    """By how many nozzles were told to be dead that were alive before; since somebody looked last nothing is known.
    Which of those that were dead as somebody looked first died on these runs nobody knows: it is counted from then."""
    checks = HandUse.objects.filter(machine_id=machine, action="test-pattern", pattern="nozzles", at__lt=now)
    looked_at = list(checks.order_by("-at").values_list("at", flat=True)[:1])
    before: frozenset[int] | None = None
    since, died = datetime.min.replace(tzinfo=UTC), 0
    for one in facts(stream=f"machine/{machine}", kinds={EVENT_KINDS[MachineCalibrated]}, using="default"):
        assert isinstance(one.event, MachineCalibrated)
        dead = frozenset(one.event.calibration.dead_nozzles)
        if dead != (before or frozenset()):  # else something else was measured
            looked_at.append(one.said_at)
        if before is not None:
            died += len(dead - before)
        elif dead:
            since = one.said_at
        before = dead
    if not looked_at:
        return replace(typical, source=NOBODY_LOOKED) if typical.source == COMMON else typical
    until = min(max(looked_at), now)
    return typical.seen(died, _days((max(begins, since), min(ends, until)) for _, (begins, ends) in under_way))
