"""Orders to the machine and their outcomes, and the words to the server that follow from them.

The order is committed, the machine moves, the outcome is committed. An order without an outcome is unknown: it may be
on the paper, so it is never given again.
"""

from __future__ import annotations

import sqlite3
from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass, replace

from machines.clock import utc
from machines.node.store import outbox, recovery_state, strips
from machines.node.store.journal import State, change_state, read_state
from machines.node.store.recovery_state import Recovering
from machines.node.store.slip_state import begin_anew
from machines.node.work import held_work as holding
from machines.node.work.bursts import Burst
from machines.node.work.held_work import HeldWork
from machines.protocol.journal_entries import ColumnsPrinted, GapSettled, TrueAgain
from machines.protocol.messages import pace
from machines.recovery import LAID_BEFORE, Columns, Decision, Gap, settle


@dataclass(frozen=True, kw_only=True)
class Laid:
    """A burst that the machine laid.

    Attributes:
        burst: which.
        at: when it was done, POSIX seconds by the server.
        true_again: it ended a replay, being at its instant.
        drops: of ink that it took.
    """

    burst: Burst
    at: float
    true_again: bool
    drops: int = 0


def order(db: sqlite3.Connection, bursts: Iterable[Burst], now: float) -> None:
    """Write down that the machine will be told to lay these."""
    db.executemany(
        "INSERT INTO burst (run, first_column, end_column, segment, place, due, ordered_at)"
        " VALUES (?, ?, ?, ?, ?, ?, ?)",
        [(b.run, b.first_column, b.end_column, b.segment, b.place, b.due, now) for b in bursts],
    )


def record(db: sqlite3.Connection, work: HeldWork, laid: Sequence[Laid], withdrawn: Sequence[Burst]) -> None:
    """Write down what was laid, and which orders the machine was never given."""
    db.executemany("DELETE FROM burst WHERE run = ? AND first_column = ?", [(b.run, b.first_column) for b in withdrawn])
    for one in laid:
        if one.true_again:
            _come_true(db, one)
        _advance(db, work, one)


def _come_true(db: sqlite3.Connection, one: Laid) -> None:
    """What was laid late is told apart from what follows."""
    burst = one.burst
    report_printed(db, burst.run)
    outbox.append(db, TrueAgain(seq=outbox.next_seq(db), at=utc(one.at), run=burst.run, column=burst.first_column))
    change_state(db, catching_up=0)


def _advance(db: sqlite3.Connection, work: HeldWork, one: Laid) -> None:
    burst, kept = one.burst, recovery_state.read(db)
    db.execute(
        "UPDATE burst SET laid_at = ? WHERE run = ? AND first_column = ?", (one.at, burst.run, burst.first_column)
    )
    crossed = _new_boundaries(kept, work, burst.first_column, burst.end_column)
    strips.note(db, burst.run, {boundary: burst.place + boundary - burst.first_column for boundary in crossed})
    change_state(db, next_column=burst.end_column, paper_position=burst.end_place)
    count_drops(db, one.drops, one.at)
    state = _leave_out(db, work, kept)
    segment = work.segment_of(burst.first_column)
    if segment is not None and segment.end_column == burst.end_column:
        report_printed(db, burst.run)
        _forget(db, burst.run, burst.end_column - work.profile.columns_per_turn)
    _come_to_the_end(db, work, state, one.at)


def _come_to_the_end(db: sqlite3.Connection, work: HeldWork, state: State, at: float) -> None:
    """A run that is over before the machine has caught up ends the replay all the same; ``at``, POSIX seconds."""
    end = work.run.end_column
    if state.catching_up and state.next_column >= end:
        report_printed(db, work.run.id)
        outbox.append(db, TrueAgain(seq=outbox.next_seq(db), at=utc(at), run=work.run.id, column=end))
        change_state(db, catching_up=0)


def is_cut_short(db: sqlite3.Connection) -> bool:
    """Whether the journal's run was ended by people, and something that was laid of it is not told yet, or it still
    counts as catching up."""
    state, work = read_state(db), holding.work_held(db)
    if work is None or state.taking_over or unknown_end(db) is not None:
        return False
    formed = holding.formed_taken(db)
    ends = {one.run: one.end_column for one in work.ended if one.formed <= formed.get(one.run, 1)}
    ends |= {one.run: state.next_column for one in work.ended if one.formed > formed.get(one.run, 1)}
    if work.run is not None:
        ends[work.run.id] = work.run.end_column
    if state.run not in ends or state.next_column < ends[state.run]:
        return False
    laid = "SELECT 1 FROM burst WHERE run = ? AND laid_at IS NOT NULL AND NOT reported LIMIT 1"
    return state.catching_up or db.execute(laid, (state.run,)).fetchone() is not None


def conclude(db: sqlite3.Connection, run: str, at: float) -> None:
    """A run was ended by people: what was laid of it is told, and nothing of it is late any more; ``at``, POSIX
    seconds."""
    state = read_state(db)
    report_printed(db, run)
    if state.catching_up:
        outbox.append(db, TrueAgain(seq=outbox.next_seq(db), at=utc(at), run=run, column=state.next_column))
        change_state(db, catching_up=0)


def count_drops(db: sqlite3.Connection, drops: int, at: float | None) -> None:
    """So many more were fired from this cartridge; ``at`` an instant, POSIX seconds, None where it is not known."""
    db.execute("UPDATE state SET drops = drops + ?, drops_since = coalesce(drops_since, ?)", (drops, at))


def unknown_end(db: sqlite3.Connection) -> int | None:
    """The end of the columns that were ordered and have no outcome, by this board or perhaps by one before it; None if
    there are none."""
    ordered = "SELECT max(end_column) AS column FROM burst WHERE laid_at IS NULL"
    (end,) = db.execute(f"SELECT max(column) FROM ({ordered} UNION SELECT perhaps_end FROM state)").fetchone()
    return None if end is None else int(end)


def end_of_paper(db: sqlite3.Connection) -> int:
    """The place after all that was laid or perhaps was, by this board or by one before it."""
    state = read_state(db)
    (ordered,) = db.execute("SELECT max(place + end_column - first_column) FROM burst WHERE laid_at IS NULL").fetchone()
    passed = 0 if state.gap_place is not None else max(0, (state.perhaps_end or 0) - state.next_column)
    return max(state.paper_position + passed, ordered or 0)


@dataclass(frozen=True)
class LeftRun:
    """Where the journal stood in a run when it turned to another one.

    Attributes:
        next_column: the first column that was not accounted for.
        perhaps_end: the end of the columns that were ordered and have no outcome; None for none.
    """

    next_column: int
    perhaps_end: int | None


def left_run(db: sqlite3.Connection, run: str) -> LeftRun | None:
    """Where a run was left, kept for every run for ever; None for one that never was."""
    row = db.execute("SELECT next_column, perhaps_end FROM left_run WHERE run = ?", (run,)).fetchone()
    return None if row is None else LeftRun(*row)


def laid_before(db: sqlite3.Connection, work: HeldWork) -> LeftRun | None:
    """Where this journal stands in the run that a run succeeds, or left it: beyond that one's end, where that was not
    heard of in time. None where it succeeds none, or one that this journal never was on."""
    state, before = read_state(db), work.run.succeeds
    if before is None:
        return None
    return LeftRun(state.next_column, unknown_end(db)) if state.run == before else left_run(db, before)


def adopt(
    db: sqlite3.Connection,
    work: HeldWork,
    first_column: int,
    perhaps_end: int | None,
    paper_end: int,
    *,
    begins: int | None = None,
) -> None:
    """Turn to another run, or take one over. Places that are unknown count as used, and so does what the machine itself
    remembers of the paper, up to ``paper_end``: the journal may be younger than the machine.

    Args:
        db: the journal.
        work: the run.
        first_column: that nobody has accounted for.
        perhaps_end: end of the columns that another board may have laid, which are settled next; None for none.
        paper_end: place after the last that the machine remembers, 0 if it does not.
        begins: the place where what another board may have laid of the run before this begins, if that reaches its end:
            its places were counted as if nothing came after it. None where it does not.
    """
    state = read_state(db)
    if state.run is not None:
        report_printed(db, state.run)
        db.execute("INSERT OR REPLACE INTO left_run VALUES (?, ?, ?)", (state.run, state.next_column, unknown_end(db)))
    (end,) = db.execute("SELECT max(place + end_column - first_column) FROM burst WHERE laid_at IS NULL").fetchone()
    position = max(state.paper_position, end or 0, paper_end)
    db.execute("DELETE FROM burst WHERE laid_at IS NULL")
    if perhaps_end is not None:  # their places count as used once they are settled
        least = state.paper_position if begins is None else begins
        position = max(least, position - (perhaps_end - first_column))
    change_state(db, run=work.run.id, next_column=first_column, paper_position=position, catching_up=0)
    change_state(db, taking_over=0, perhaps_end=perhaps_end, gap_place=state.gap_place if perhaps_end else None)
    begin_anew(db)
    recovery_state.begin_run(db, work.shift_s)
    strips.note(db, work.run.id, dict.fromkeys(work.boundaries(first_column - 1, first_column), position))


def pass_over(db: sqlite3.Connection, work: HeldWork, first: int, laid_end: int, now: float) -> None:
    """Tell of columns of a run just taken up that they lie on the paper as those of the run that it succeeds.

    Args:
        db: the journal.
        work: the run.
        first: column that nobody has accounted for.
        laid_end: the end of those that lie.
        now: by the server, POSIX seconds.
    """
    at, end = utc(now), min(laid_end, work.run.end_column)
    if end <= first:
        return
    gap = Gap(first=first, unknown_end=first, end=end, cause="no-work", noticed_at=at)
    decision = replace(
        settle(LAID_BEFORE, gap, pace(work.profile, work.run)),
        reason=f"they lie on the paper as columns of run {work.run.succeeds}",
    )
    entry = GapSettled(
        seq=outbox.next_seq(db),
        at=at,
        run=work.run.id,
        gap=gap,
        policy=LAID_BEFORE,
        decision=decision,
        paper_position=read_state(db).paper_position,
    )
    outbox.append(db, entry)


def record_settlement(
    db: sqlite3.Connection, work: HeldWork, gap: Gap, decision: Decision, since: float | None
) -> None:
    """Write down a gap and what was decided, and go on from there.

    The place of unknown columns counts as used; what was fed by hand since lies behind them. ``since`` is from when on
    something was missing, POSIX seconds.
    """
    state = read_state(db)
    place = state.paper_position if state.gap_place is None else state.gap_place
    report_printed(db, work.run.id)
    entry = GapSettled(
        seq=outbox.next_seq(db),
        at=gap.noticed_at,
        run=work.run.id,
        gap=gap,
        policy=work.policy,
        decision=decision,
        paper_position=place,
    )
    outbox.append(db, entry)
    unknown = _new_boundaries(recovery_state.read(db), work, gap.first, gap.unknown_end)
    strips.note(db, work.run.id, {boundary: place + boundary - gap.first for boundary in unknown})
    db.execute("DELETE FROM burst WHERE laid_at IS NULL")
    if decision.again:  # they are ordered once more, in another place
        db.execute("DELETE FROM burst WHERE run = ? AND first_column >= ?", (work.run.id, decision.again.first))
    recovery_state.note_settlement(db, gap, decision, since=since, closed_only=gap.rule(work.policy).only_while_closed)
    change_state(
        db,
        next_column=decision.again.first if decision.again else gap.unknown_end,
        paper_position=max(state.paper_position, place + len(decision.unknown)),
        catching_up=int(decision.late > 0),
        perhaps_end=None,
        gap_place=None,
    )
    if decision.shift_s:
        recovery_state.note_shift(db, work.shift_s + decision.shift_s)
        change_state(db, work_version=state.work_version + 1)
    _leave_out(db, work, recovery_state.read(db))


def _leave_out(db: sqlite3.Connection, work: HeldWork, kept: Recovering) -> State:
    """Where printing has come to columns that are left out, go on after them. They take no paper, and a strip's
    boundary among them comes to lie where the paper goes on; or their places are fed blank, and it lies in its own.

    Returns:
        where the node stands then.
    """
    state = read_state(db)
    left, place = kept.left_out, state.paper_position
    if left is None or state.next_column != left.first:
        return state
    boundaries = work.boundaries(left.first, left.end)
    strips.note(db, work.run.id, {b: place + (b - left.first if kept.blank else 0) for b in boundaries})
    change_state(db, next_column=left.end)
    recovery_state.reach_left_out(db, place + len(left) if kept.blank else None)
    return replace(state, next_column=left.end)


def _new_boundaries(kept: Recovering, work: HeldWork, after: int, through: int) -> list[int]:
    """Where strips begin among columns that are accounted for now. One that is printed again begins no second strip."""
    noted = kept.again_end
    return work.boundaries(after if noted is None else max(after, min(noted, through)), through)


def report_printed(db: sqlite3.Connection, run: str) -> None:
    """An entry for each stretch of columns that was laid side by side in one segment and not reported yet."""
    rows = db.execute(
        "SELECT segment, first_column, end_column, place, due, laid_at FROM burst"
        " WHERE run = ? AND laid_at IS NOT NULL AND NOT reported ORDER BY first_column",
        (run,),
    ).fetchall()
    bursts = (Burst(run=run, segment=s, first_column=f, end_column=e, place=p, due=d) for s, f, e, p, d, _ in rows)
    laid = (Laid(burst=burst, at=row[5], true_again=False) for burst, row in zip(bursts, rows, strict=True))
    for stretch in _stretches(laid):
        keys = [(run, one.burst.first_column) for one in stretch]
        db.executemany("UPDATE burst SET reported = 1 WHERE run = ? AND first_column = ?", keys)
        outbox.append(db, _printed(db, stretch))


def _stretches(laid: Iterable[Laid]) -> Iterator[list[Laid]]:
    stretch: list[Laid] = []
    for one in laid:
        if stretch and not _side_by_side(stretch[-1].burst, one.burst):
            yield stretch
            stretch = []
        stretch.append(one)
    if stretch:
        yield stretch


def _side_by_side(left: Burst, right: Burst) -> bool:
    ends_at = (left.segment, left.end_column, left.end_place)
    return ends_at == (right.segment, right.first_column, right.place)


def _printed(db: sqlite3.Connection, stretch: list[Laid]) -> ColumnsPrinted:
    first, last = stretch[0].burst, stretch[-1].burst
    (done,) = db.execute(
        "SELECT sum(end_column - first_column) FROM burst WHERE run = ? AND segment = ? AND reported",
        (first.run, first.segment),
    ).fetchone()
    return ColumnsPrinted(
        seq=outbox.next_seq(db),
        at=utc(stretch[-1].at),
        run=first.run,
        segment=first.segment,
        columns=Columns(first=first.first_column, end=last.end_column),
        columns_done=done,
        paper_position=first.place,
        worst_miss_s=max((one.at - one.burst.due for one in stretch), key=abs),
    )


def _forget(db: sqlite3.Connection, run: str, before: int) -> None:
    """What was reported more than a turn ago is of no more use; the entries stay."""
    db.execute("DELETE FROM burst WHERE reported AND (run <> ? OR end_column <= ?)", (run, before))
