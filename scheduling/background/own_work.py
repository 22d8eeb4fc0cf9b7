"""Whether the server does what it does by itself: plans ahead, watches, tells people.

Whoever does it keeps when it went well; whoever shows a page, or is asked whether the server is well, looks at that. So
it is seen also where all that works by itself is gone, as when nobody started it after an update.
"""

from __future__ import annotations

from collections.abc import Collection, Iterable, Iterator, Mapping
from dataclasses import dataclass
from datetime import datetime, timedelta

from django.db.models import F

from scheduling.log.beside import LISTENS, UNPLANNED
from scheduling.log.models import OwnWork, Run

# The name of late work that is the planning of some runs.
SOME_RUNS = UNPLANNED.strip()


@dataclass(frozen=True)
class LateWork:
    """Work that is not done, or does not go well.

    Attributes:
        name: of the work.
        since: when it last went well, or was first expected, UTC.
        runs: ids of those that cannot be planned, though others are: where `name` is `SOME_RUNS`.
    """

    name: str
    since: datetime
    runs: tuple[str, ...] = ()


@dataclass(frozen=True)
class WorkStands:
    """When some work was done.

    Attributes:
        expected_since: since when it should be, UTC.
        done_at: when it last went well; None for never.
    """

    expected_since: datetime
    done_at: datetime | None

    @property
    def since(self) -> datetime:
        """When it last went well, or was first expected, UTC."""
        return self.done_at or self.expected_since

    def is_late(self, pause: timedelta, now: datetime) -> bool:
        """Whether it should have been done by now. A server that begins expects all of it anew, and says nothing of
        the time while it was off."""
        return now - max(self.expected_since, self.since) > pause


def work_stands(names: Collection[str]) -> dict[str, WorkStands]:
    """How the work stands of some names, in their order; nothing of what was never expected."""
    return _stands(OwnWork.objects.filter(name__in=names), names)


def _stands(rows: Iterable[OwnWork], names: Iterable[str]) -> dict[str, WorkStands]:
    known = {row.name: row for row in rows}
    return {name: WorkStands(known[name].expected_since, known[name].done_at) for name in names if name in known}


def late_work(allowed: Mapping[str, timedelta], unplanned_for: timedelta, now: datetime) -> tuple[LateWork, ...]:
    """What is late, in the order in which it is allowed for, and last the planning of some runs.

    Args:
        allowed: how long may pass from one time to the next, by the name of the work.
        unplanned_for: for how long the planning of a run may fail.
        now: this instant, UTC.
    """
    rows = list(OwnWork.objects.all())
    stands = _stands(rows, allowed)
    late = (LateWork(name, one.since) for name, one in stands.items() if one.is_late(allowed[name], now))
    return (*late, *_unplanned({id: since for id, since in _failed(rows) if now - since > unplanned_for}))


def listened_for(pause: timedelta, now: datetime) -> timedelta | None:
    """For how long somebody has listened to boards; no time at all, where nobody has said so for a pause. None where
    that is not known, as no server ever said so.

    Args:
        pause: for how long nobody may say so.
        now: this instant, UTC.
    """
    row = OwnWork.objects.filter(name=LISTENS).first()
    if row is None or row.done_at is None:
        return None
    return timedelta(0) if now - row.done_at > pause else max(timedelta(0), now - row.expected_since)


def failed_runs() -> set[str]:
    """The ids of the runs that could not be planned when it was tried last."""
    return {id for id, _ in _failed(OwnWork.objects.filter(name__startswith=UNPLANNED))}


def _failed(rows: Iterable[OwnWork]) -> Iterator[tuple[str, datetime]]:
    for row in rows:
        if row.name.startswith(UNPLANNED):
            yield row.name.removeprefix(UNPLANNED), row.expected_since


def _unplanned(since: Mapping[str, datetime]) -> Iterator[LateWork]:
    """Of those runs, the ones of which there is still something to plan."""
    if not since:
        return
    open_ones = Run.objects.filter(id__in=since, withdrawn_at=None, planned_to_column__lt=F("end_column"))
    runs = sorted(open_ones.values_list("id", flat=True), key=lambda id: (since[id], id))
    if runs:
        yield LateWork(SOME_RUNS, since[runs[0]], tuple(runs))
