"""What the node holds so that it can go on alone: credentials, work, and how its clock stands to the server's."""

from __future__ import annotations

import bisect
import json
import sqlite3
from collections.abc import Iterable, Mapping
from dataclasses import dataclass, replace
from datetime import timedelta
from functools import cached_property

from machines.clock import utc
from machines.model.calibration import UNCALIBRATED, Calibration
from machines.model.profile import Profile
from machines.model.slots import boundaries
from machines.node.store import outbox, recovery_state
from machines.node.store.documents import get_document, put_document, read_document
from machines.node.store.journal import State, change_state, read_state
from machines.node.work.not_understood import Unread
from machines.protocol.messages import HeldNext, RunWork, SegmentWork, Work
from machines.protocol.recesses import Recess, recess_at
from machines.recovery import Override, Policy, Span
from machines.serialization import format_instant, parse_instant, unstructure


def hold(db: sqlite3.Connection, fetched: Fetched) -> None:
    """Take over the server's word on what to hold.

    What is held of the run that is being printed stays until this journal has accounted for it, whatever a server
    offers or does not offer: one that was put back from an older copy may not know the run, or not all of its
    segments. A server that means to end a run names it as ended. A run that this journal has finished is not taken up
    again, either.
    """
    work, state = fetched.work, read_state(db)
    _end(db, work)
    state = read_state(db)
    is_declined = _is_declined(db, work, state)
    if is_declined:
        db.execute("DELETE FROM document WHERE name = 'etag'")  # asked for in full again, as this answer was not taken
        if (of_this := _of_the_run_at_hand(db, work, state)) is None:
            return
        work = of_this
    if work.run is not None:
        _take_up_anew(db, work.run)
        state = read_state(db)
    if not is_declined:
        put_document(db, "etag", fetched.etag)
    put_document(db, "work", work.without_segments())
    change_state(db, work_version=state.work_version + 1)
    run, offered = "" if work.run is None else work.run.id, work.segments_of()
    numbers = {(id, segment.number) for id, segments in offered.items() for segment in segments}
    # A burst may reach over the boundary from a segment that the head just left.
    left_behind = state.next_column - work.profile.columns_per_burst
    for of_run, number, end in db.execute("SELECT run, number, end_column FROM segment").fetchall():
        to_come = of_run == state.run == run and end > left_behind
        if (of_run, number) not in numbers and not to_come:
            db.execute("DELETE FROM segment WHERE run = ? AND number = ?", (of_run, number))
    db.executemany(
        "INSERT OR REPLACE INTO segment (run, number, first_column, end_column, body) VALUES (?, ?, ?, ?, ?)",
        [
            (id, s.number, s.first_column, s.end_column, json.dumps(unstructure(s)))
            for id, segments in offered.items()
            for s in segments
        ],
    )


def _end(db: sqlite3.Connection, work: Work) -> None:
    """Let go of what is held of a run beyond its end: the one that people have given it, or that it is offered with,
    where a server that had forgotten it was told anew of a shorter one. What is in hand is not torn."""
    now = work_held(db)
    if now is None or now.run is None:
        return
    following = now.following
    held = [now.run, *([] if following is None else [following.run])]
    ends = {run.id: end for run in held if (end := end_said(run, work)) is not None}
    if following is not None:
        following = replace(following, run=_shorter(following.run, ends))
    if work.run is not None and work.run.id == now.run.id and work.run.formed > now.run.formed:
        following = None  # what the run is now comes before it
    then = replace(now, run=_shorter(now.run, ends), following=following)
    if then == now:
        return
    for id, end in ends.items():
        db.execute("DELETE FROM segment WHERE run = ? AND first_column >= ?", (id, end))
    if following is not None and following.run.end_column <= following.run.first_column:
        then = replace(then, following=None)
    put_document(db, "work", then)
    change_state(db, work_version=read_state(db).work_version + 1)


def _shorter(run: RunWork, ends: Mapping[str, int]) -> RunWork:
    """A run with the end that it was given, where that is an earlier one."""
    end = ends.get(run.id, run.end_column)
    return run if end >= run.end_column else replace(run, end_column=end)


def turn(db: sqlite3.Connection) -> bool:
    """Where all of the run that is held is laid, hold the one that follows it in its place, by what the server said
    last; whether that was so. It is asked for all of its work anew: what it said was of the run before."""
    work, state = work_held(db), read_state(db)
    if work is None or work.run is None or work.following is None or state.run != work.run.id:
        return False
    if state.next_column < work.run.end_column or _is_in_hand(db, work.run.id):
        return False
    then = work.following
    profile = then.profile or work.profile
    then_work = replace(work, run=then.run, policy=then.policy, profile=profile, override=None, following=None)
    put_document(db, "work", then_work)
    _take_up_anew(db, then.run)
    db.execute("DELETE FROM document WHERE name = 'etag'")
    change_state(db, work_version=state.work_version + 1)
    return True


def end_said(run: RunWork, work: Work) -> int | None:
    """Where a run that is held ends by the server's word; its first column where it was changed since, so that nothing
    is to be printed of what it was. None where the word says nothing of it."""
    said = [(one.end_column, one.formed) for one in work.ended if one.run == run.id]
    offered = [work.run, None if work.following is None else work.following.run]
    said += [(one.end_column, one.formed) for one in offered if one is not None and one.id == run.id]
    if not said:
        return None
    end, formed = said[-1]
    return run.first_column if formed > run.formed else end


def _take_up_anew(db: sqlite3.Connection, run: RunWork) -> None:
    """A run that was changed before it began is another run, under the same name: where this journal stood in what it
    was says nothing of it."""
    formed = formed_taken(db)
    if run.formed <= formed.get(run.id, 1):
        return
    put_document(db, "formed", formed | {run.id: run.formed})
    db.execute("DELETE FROM left_run WHERE run = ?", (run.id,))
    db.execute("DELETE FROM burst WHERE run = ?", (run.id,))
    db.execute("DELETE FROM strip WHERE run = ?", (run.id,))  # a strip of what it was hangs on to the next
    if read_state(db).run == run.id:
        change_state(db, run=None, catching_up=0)


def formed_taken(db: sqlite3.Connection) -> dict[str, int]:
    """By which form a run was taken up last, where that is not its first."""
    return get_document(db, "formed", dict[str, int]) or {}


def _is_declined(db: sqlite3.Connection, work: Work, state: State) -> bool:
    """Whether an offer is not to be taken: it would take away the run that is being printed, or is of a run that this
    journal has finished."""
    now = work_held(db)
    if now is None or now.run is None:
        return False
    if work.run is not None and work.run.id == now.run.id:
        return work.run.formed > now.run.formed and state.run == now.run.id and _is_untold(db, now.run.id)
    is_on_it = state.run == now.run.id and (state.next_column < now.run.end_column or _is_in_hand(db, now.run.id))
    if is_on_it and not _comes_first(db, work, now.run, state):
        return True
    if work.run is None or work.run.formed > formed_taken(db).get(work.run.id, 1):
        return False  # what was finished was the run before it was changed
    row = db.execute("SELECT next_column FROM left_run WHERE run = ?", (work.run.id,)).fetchone()
    return row is not None and bool(row[0] >= work.run.end_column)


def _of_the_run_at_hand(db: sqlite3.Connection, work: Work, state: State) -> Work | None:
    """Of an offer that is declined, what it has of the run that is being printed, where it has that run as the one that
    follows: this board turned to it before the server had heard all of the run before. None where it has not."""
    now, then = work_held(db), work.following
    if now is None or now.run is None or then is None or state.run != now.run.id:
        return None
    if then.run.id != now.run.id or then.run.formed != now.run.formed:
        return None
    profile = then.profile or work.profile
    return replace(
        work,
        run=then.run,
        policy=then.policy,
        profile=profile,
        segments=then.segments,
        override=None,
        following=None,
    )


def _comes_first(db: sqlite3.Connection, work: Work, held: RunWork, state: State) -> bool:
    """Whether what is offered begins before a run that is held, of which nothing was laid: it was planned, or moved
    there, after that was fetched."""
    row = db.execute("SELECT body FROM segment WHERE run = ? ORDER BY first_column LIMIT 1", (held.id,)).fetchone()
    if row is None or not work.segments or state.next_column > held.first_column or _is_in_hand(db, held.id):
        return False
    first: SegmentWork = read_document(row[0], SegmentWork)
    return work.segments[0].knots[0] < first.knots[0]


def _is_in_hand(db: sqlite3.Connection, run: str) -> bool:
    """Whether columns of a run were ordered, or may have been by another board, and have no outcome yet."""
    ordered = db.execute("SELECT 1 FROM burst WHERE run = ? AND laid_at IS NULL LIMIT 1", (run,)).fetchone()
    return ordered is not None or read_state(db).perhaps_end is not None


def _is_untold(db: sqlite3.Connection, run: str) -> bool:
    """Whether something of a run has no outcome, or was not told to the server, who takes all that is told after it was
    changed to be of what it is now."""
    untold = db.execute("SELECT 1 FROM burst WHERE run = ? AND NOT reported LIMIT 1", (run,)).fetchone()
    return untold is not None or _is_in_hand(db, run) or bool(outbox.count_unaccepted(db))


def drop_work(db: sqlite3.Connection) -> None:
    """Nothing is held until the server says anew what."""
    db.execute("DELETE FROM document WHERE name IN ('etag', 'work')")
    db.execute("DELETE FROM segment")
    change_state(db, work_version=read_state(db).work_version + 1)


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


@dataclass(frozen=True)
class Fetched:
    """Work that differs from what the node has, as far as it is understood.

    Attributes:
        work: what is to be held.
        etag: its tag.
        unread: the whole answer, if something of it is not understood.
    """

    work: Work
    etag: str
    unread: Unread | None = None


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
