"""What the node holds so that it can go on alone: a run, the part of it that the server gave, and what follows."""

from __future__ import annotations

import bisect
import json
import sqlite3
from collections.abc import Iterable
from dataclasses import dataclass, replace
from datetime import timedelta
from functools import cached_property

from machines.clock import utc
from machines.model.calibration import UNCALIBRATED, Calibration
from machines.model.profile import Profile
from machines.model.slots import boundaries
from machines.node.store import recovery_state
from machines.node.store.documents import get_document, read_document
from machines.node.store.journal import read_state
from machines.protocol.messages import HeldNext, RunWork, SegmentWork, Work
from machines.protocol.recesses import Recess, recess_at
from machines.recovery import Override, Policy, Span
from machines.serialization import format_instant, parse_instant


def formed_taken(db: sqlite3.Connection) -> dict[str, int]:
    """By which form a run was taken up last, where that is not its first."""
    return get_document(db, "formed", dict[str, int]) or {}


def work_held(db: sqlite3.Connection) -> Work | None:
    """The server's last word, without the segments; None before the first."""
    return get_document(db, "work", Work)


def machine(db: sqlite3.Connection) -> tuple[Profile, Calibration] | None:
    """The machine as the server describes it and as it is measured; None before the first word."""
    work = work_held(db)
    if work is None:
        return None
    calibration = work.calibration or UNCALIBRATED
    return calibration.applied_to(work.profile), calibration


def etag_held(db: sqlite3.Connection) -> str | None:
    """The tag of what is held."""
    return get_document(db, "etag", str)


def held(db: sqlite3.Connection) -> HeldWork | None:
    """The run and its held segments; None without a run."""
    work = work_held(db)
    if work is None or work.run is None or work.policy is None:
        return None
    rows = db.execute("SELECT body FROM segment WHERE run = ? ORDER BY first_column", (work.run.id,)).fetchall()
    shift_s = _shift_s(db, work.run)
    whole = (read_document(body, SegmentWork) for (body,) in rows)
    segments = tuple(_shifted(one.until(work.run.end_column), shift_s) for one in whole)
    calibration = work.calibration or UNCALIBRATED
    return HeldWork(
        run=work.run,
        policy=work.policy,
        profile=calibration.applied_to(work.profile),
        segments=segments,
        calibration=calibration,
        shift_s=shift_s,
        override=work.override,
        closed=work.closed,
        is_followed=work.following is not None,
        quiet=work.quiet,
    )


def _shift_s(db: sqlite3.Connection, run: RunWork) -> float:
    """How long the timeline of a run has waited: as this journal knows, or the server from a board before it."""
    own = recovery_state.read(db).shift_s if read_state(db).run == run.id else 0.0
    return max(own, run.shift_s)


def _shifted(segment: SegmentWork, shift_s: float) -> SegmentWork:
    wait = timedelta(seconds=shift_s)
    return replace(segment, knots=tuple(knot + wait for knot in segment.knots)) if wait else segment


def quiet_s(quiet: Iterable[Span], now: float) -> float:
    """How long it is to be quiet from an instant (POSIX seconds) on, as far as is known; 0 where it is not quiet."""
    left = (
        span.ends_at.timestamp() - now for span in quiet if span.starts_at.timestamp() <= now < span.ends_at.timestamp()
    )
    return max(left, default=0.0)


def plates_needed(db: sqlite3.Connection) -> set[str]:
    """Digests of the plates that the held segments and the server's last word name."""
    work = work_held(db)
    bodies = db.execute("SELECT body FROM segment").fetchall()
    return {json.loads(body)["plate"] for (body,) in bodies} | set(work.plates if work else ())


def held_until(db: sqlite3.Connection) -> str | None:
    """RFC 3339 instant at which the last held segment of the run ends, by its timeline as it is now; None without
    work."""
    work = work_held(db)
    return None if work is None or work.run is None else _held_until(db, work.run)


def held_next(db: sqlite3.Connection) -> HeldNext | None:
    """What is held of the run that follows; None for nothing."""
    work = work_held(db)
    then = None if work is None or work.following is None else work.following.run
    until = None if then is None else _held_until(db, then)
    if then is None or until is None:
        return None
    return HeldNext(run=then.id, revision=then.revision, until=parse_instant(until))


def _held_until(db: sqlite3.Connection, run: RunWork) -> str | None:
    newest = "SELECT body FROM segment WHERE run = ? ORDER BY first_column DESC LIMIT 1"
    row = db.execute(newest, (run.id,)).fetchone()
    if row is None:
        return None
    last = _shifted(read_document(row[0], SegmentWork).until(run.end_column), _shift_s(db, run))
    return format_instant(last.knots[-1])


@dataclass(frozen=True, kw_only=True)
class HeldWork:
    """A run and the part of it that the node holds.

    Attributes:
        run, policy, profile: as the server gave them.
        segments: of the run, in order of columns; there may be holes between them. Their knots are by the timeline of
            the run as it is now.
        calibration: what was measured of the machine.
        shift_s: how long that timeline has waited so far, seconds; the knots have it already.
        override: the newest word of a person on an outage.
        closed: the venue's closed hours, in order, as far as they are known.
        is_followed: whether another run is held, too, that is printed after it.
        quiet: its quiet hours, likewise.
    """

    run: RunWork
    policy: Policy
    profile: Profile
    segments: tuple[SegmentWork, ...]
    calibration: Calibration = UNCALIBRATED
    shift_s: float = 0.0
    override: Override | None = None
    closed: tuple[Span, ...] = ()
    is_followed: bool = False
    quiet: tuple[Span, ...] = ()

    @cached_property
    def _firsts(self) -> list[int]:
        return [segment.first_column for segment in self.segments]

    @property
    def column_s(self) -> float:
        """How long the sky takes for one column in a mean turn, seconds."""
        return self.run.mean_turn_s / self.profile.columns_per_turn

    @property
    def burst_s(self) -> float:
        """How long the sky takes for one burst in a mean turn, seconds."""
        return self.column_s * self.profile.columns_per_burst

    @property
    def clock_tolerance_s(self) -> float:
        """How sure the time must be to print, seconds."""
        return self.profile.clock_tolerance_dots * self.column_s

    def is_closed_at(self, instant: float) -> bool:
        """Whether the venue is known to be closed at an instant, POSIX seconds."""
        return any(span.starts_at.timestamp() <= instant < span.ends_at.timestamp() for span in self.closed)

    def recess_at(self, instant: float) -> Recess | None:
        """The recess of the run that an instant, POSIX seconds, lies in; None for none."""
        return recess_at(self._recesses, utc(instant)) if self._recesses else None

    @cached_property
    def _recesses(self) -> tuple[Recess, ...]:
        """As people hold it, and where it is printed only while open, as the venue is closed."""
        closed = self.closed if self.run.only_while_open else ()
        return (*self.run.recesses, *(Recess(starts_at=span.starts_at, ends_at=span.ends_at) for span in closed))

    def boundaries(self, after: int, through: int) -> list[int]:
        """Where strips begin, after one running column up to another, that one included; none without a knife."""
        if self.profile.knife is None:
            return []
        return boundaries(after, through, self.profile.columns_per_turn, self.run.strips_per_turn)

    def plate_of(self, column: int) -> str:
        """Digest of the plate of a column that is held; empty if it is not."""
        segment = self.segment_of(column)
        return "" if segment is None else segment.plate

    def segment_of(self, column: int) -> SegmentWork | None:
        """The held segment that a running column lies in."""
        index = bisect.bisect_right(self._firsts, column) - 1
        if index < 0 or column >= self.segments[index].end_column:
            return None
        return self.segments[index]

    def segment_at(self, instant: float) -> SegmentWork | None:
        """The held segment whose time an instant (POSIX seconds) falls in."""
        for segment in self.segments:
            if segment.knots[0].timestamp() <= instant < segment.knots[-1].timestamp():
                return segment
        return None
