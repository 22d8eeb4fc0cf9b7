"""What the server says of the work that is to be held, and how it takes the place of what is."""

from __future__ import annotations

import json
import sqlite3
from collections.abc import Mapping
from dataclasses import dataclass, replace

from machines.node.store import outbox
from machines.node.store.documents import put_document, read_document
from machines.node.store.journal import State, change_state, read_state
from machines.node.work import order_log
from machines.node.work.held_work import formed_taken, work_held
from machines.node.work.not_understood import Unread
from machines.protocol.messages import RunWork, SegmentWork, Work
from machines.serialization import unstructure


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
    is_whole = True
    if _is_declined(db, work, state):
        is_whole = False
        db.execute("DELETE FROM document WHERE name = 'etag'")  # asked for in full again, as this answer was not taken
        if (of_this := _of_the_run_at_hand(db, work, state)) is None:
            return
        work = of_this
    if work.following is not None and _waits(db, work.following.run):
        is_whole = False
        db.execute("DELETE FROM document WHERE name = 'etag'")
        work = replace(work, following=None)
    if work.run is not None:
        _take_up_anew(db, work.run)
        state = read_state(db)
    if is_whole:
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


def _is_declined(db: sqlite3.Connection, work: Work, state: State) -> bool:
    """Whether an offer is not to be taken: it would take away the run that is being printed, or is of a run that this
    journal has finished, or has yet to tell of as it was."""
    if work.run is not None and _waits(db, work.run):
        return True
    now = work_held(db)
    if now is None or now.run is None:
        return False
    if work.run is not None and work.run.id == now.run.id:
        return False
    is_on_it = state.run == now.run.id and (state.next_column < now.run.end_column or _is_to_settle(db, now.run.id))
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
    state = read_state(db)
    return ordered is not None or (state.run == run and state.perhaps_end is not None)


def _is_to_settle(db: sqlite3.Connection, run: str) -> bool:
    """Whether what is in hand of a run is settled before another one is taken up. A board that takes over can settle
    nothing of what is held no more, and counts its places as used with the next run."""
    return not read_state(db).taking_over and _is_in_hand(db, run)


def _waits(db: sqlite3.Connection, run: RunWork) -> bool:
    """Whether a run is offered as it was changed, and this journal has yet to tell what it printed of what it was.
    Where it is held so already, that was told before."""
    now = work_held(db)
    then = None if now is None or now.following is None else now.following.run
    if then is not None and then.id == run.id and then.formed >= run.formed:
        return False
    if run.formed <= formed_taken(db).get(run.id, 1):
        return False
    was_left = db.execute("SELECT 1 FROM left_run WHERE run = ?", (run.id,)).fetchone() is not None
    return (was_left or read_state(db).run == run.id) and _is_untold(db, run.id)


def _is_untold(db: sqlite3.Connection, run: str) -> bool:
    """Whether something of a run has no outcome, or was not told to the server, who takes all that is told after it was
    changed to be of what it is now."""
    laid = "SELECT 1 FROM burst WHERE run = ? AND laid_at IS NOT NULL AND NOT reported LIMIT 1"
    is_laid = db.execute(laid, (run,)).fetchone() is not None
    return is_laid or _is_to_settle(db, run) or bool(outbox.count_unaccepted(db))


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


def _take_up_anew(db: sqlite3.Connection, run: RunWork) -> None:
    """A run that was changed before it began is another run, under the same name: where this journal stood in what it
    was says nothing of it."""
    formed = formed_taken(db)
    if run.formed <= formed.get(run.id, 1):
        return
    put_document(db, "formed", formed | {run.id: run.formed})
    if read_state(db).run == run.id:
        place = order_log.end_of_paper(db)  # what has no outcome may lie there
        change_state(db, run=None, catching_up=0, paper_position=place, perhaps_end=None, gap_place=None)
    db.execute("DELETE FROM left_run WHERE run = ?", (run.id,))
    db.execute("DELETE FROM burst WHERE run = ?", (run.id,))
    db.execute("DELETE FROM strip WHERE run = ?", (run.id,))  # a strip of what it was hangs on to the next


def drop_work(db: sqlite3.Connection) -> None:
    """Nothing is held until the server says anew what."""
    db.execute("DELETE FROM document WHERE name IN ('etag', 'work')")
    db.execute("DELETE FROM segment")
    change_state(db, work_version=read_state(db).work_version + 1)
