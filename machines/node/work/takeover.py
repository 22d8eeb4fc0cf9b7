"""Taking over a machine: what a board knows of the paper that it did not print on itself.

A board that replaces another one, or comes back after one, has no journal of what that one laid and could not tell any
more. Whatever may lie there counts as unknown, and is never ordered again:

    accounted for ......| what the machine remembers, or else all that was due |  missing ... | due ...
                        ^ first                                                ^ perhaps_end  ^ now
"""

from __future__ import annotations

import sqlite3
from collections.abc import Sequence

from machines.errors import InputError
from machines.node.store import identity, outbox, told_anew
from machines.node.store.documents import get_document, put_document
from machines.node.store.identity import Credentials
from machines.node.store.journal import State, change_state, read_state
from machines.node.work import offers, order_log
from machines.node.work.bursts import CannotTell, first_after, instant_of
from machines.node.work.held_work import HeldWork
from machines.protocol.messages import JournalPosition

# The board before may have been ahead by as much as a board's clock may be off, and this one behind by as much.
TOLERANCES = 2.0


def enrol(db: sqlite3.Connection, new: Credentials, earlier: Sequence[JournalPosition] = ()) -> None:
    """Keep the credentials; a node that was fenced off may print again. How the machine stands is told anew.

    The journal goes on only where no other board can have printed since: where this enrolment is the machine's first,
    or follows this board's own, and the server has nothing under this journal's numbers that is not in it. Otherwise
    the board takes the machine over, with work that is fetched anew.

    Args:
        db: the journal.
        new: what enrolment gave.
        earlier: how much the server has of earlier journals.

    Raises:
        InputError: the journal is another machine's: its paper is not this one's.
    """
    old = identity.credentials(db)
    if old is not None and old.machine != new.machine:
        problem = f"this folder is the journal of machine {old.machine}, the code was for {new.machine}"
        raise InputError("home", problem, "give each machine its own --home")
    goes_on = new.epoch == 1 if old is None else _count_anew(db, old.epoch, new.epoch, earlier)
    identity.keep_credentials(db, new)
    change_state(db, fenced="")
    told_anew.tell_anew(db)
    if not goes_on:
        offers.drop_work(db)
        begin(db)


def begin(db: sqlite3.Connection) -> None:
    """Take over, with the next run that is printed, what another board may have laid. What this one laid is told
    before: the next work may be of that run as it was changed since."""
    if (run := read_state(db).run) is not None:
        order_log.report_printed(db, run)
    change_state(db, taking_over=1)


def _count_anew(db: sqlite3.Connection, old: int, new: int, earlier: Sequence[JournalPosition]) -> bool:
    """Number the entries for a new epoch, and tell again what the server that is there now does not have, whoever was
    told it before; whether this journal tells all that was printed until now."""
    taken = next((one for one in earlier if one.epoch == old), None)
    own = taken is None or outbox.wrote(db, taken, old)
    had = next(((one.epoch, one.through) for one in earlier if outbox.wrote(db, one, old)), (0, 0))
    outbox.renumber(db, old, had if own else None)
    if new <= old:  # a server put back from a backup knows nothing of this epoch
        return True
    return own and new == old + 1


def paper_known(db: sqlite3.Connection) -> int:
    """The place up to which paper was fed, by the server's word, when this board was enrolled."""
    known = identity.credentials(db)
    return 0 if known is None else known.paper_position


def paper_unknown(db: sqlite3.Connection, paper_end: int | None) -> int:
    """How much paper, in columns, the machine remembers to have begun that neither the journal knows of nor the server
    told. Every order is in the journal before the machine moves; so if there is any, the journal lost what it wrote
    last, as on a card that says to have kept what it has not, or another board has printed since.

    Args:
        db: the journal.
        paper_end: place after the last that the machine remembers; None if it does not.
    """
    return max(0, (paper_end or 0) - max(order_log.end_of_paper(db), paper_known(db)))


def note_beyond(db: sqlite3.Connection, run: str | None) -> None:
    """Keep of which run another board may have laid all there was to come, so that it may have turned to the next one
    by itself, and the place where that begins: what lies before it is this board's own. None for none."""
    put_document(db, "taken_to_its_end", run or "")
    put_document(db, "taken_from_place", read_state(db).paper_position)


def begins_beyond(db: sqlite3.Connection) -> int:
    """The place where that began; 0 in a journal of an older program."""
    return get_document(db, "taken_from_place", int) or 0


def goes_beyond(db: sqlite3.Connection, run: str | None) -> bool:
    """Whether it is that run."""
    return run is not None and get_document(db, "taken_to_its_end", str) == run


def where_to_begin(work: HeldWork, state: State, left_at: int | None = None) -> int:
    """The first column of the run that is not accounted for, by the server's word and, if it is or was the journal's
    run, by the journal's: a server put back from an older copy knows less. The run has a segment.

    Args:
        work: the run.
        state: of the journal.
        left_at: where the journal left the run for another one; None if it never did.
    """
    told = work.run.first_unaccounted
    first = max(work.run.first_column, work.segments[0].first_column) if told is None else told
    known = state.next_column if state.run == work.run.id else left_at
    return first if known is None else max(first, known)


def perhaps_laid_until(work: HeldWork, first: int, remembered: int | None, now: float, fed_columns: int = 0) -> int:
    """The end of the columns, from a first one on, that another board may have laid.

    Args:
        work: the work.
        first: column that nobody has accounted for.
        remembered: the running column after the last that the machine itself remembers; None if it does not. It may be
            of an earlier run, with a count of its own; so it counts only as far as columns were due, or as there was
            paper fed for them. It is not the furthest where a segment may be printed once more, as columns after the
            last may lie there from before.
        now: by the server, POSIX seconds. Its clock may have been set back since columns were laid.
        fed_columns: of paper that the machine remembers and nobody has told of.

    Raises:
        CannotTell: the work held does not say what was due.
    """
    due_end = _due_end(work, first, now + TOLERANCES * work.clock_tolerance_s)
    if remembered is None:
        return max(first, due_end)
    end = work.run.end_column
    of_paper = first
    if first < remembered <= first + fed_columns:
        of_paper = min(remembered, end)
    elif not first <= remembered <= end and fed_columns >= end - first:  # it is of the next run: this one lies whole
        of_paper = min(due_end, end)
    if _may_print_again(work):
        return max(of_paper, due_end)
    return max(of_paper, min(remembered, due_end))


def _due_end(work: HeldWork, first: int, by: float) -> int:
    """The end of the bursts, from the one that holds a first column on, whose instants are not after an instant."""
    start = max(work.profile.burst_start(first), work.run.first_column)
    segment = work.segment_of(first) or work.segments[0]
    instant = instant_of(work, first) if work.segment_of(start) is not None else None
    if instant is None:  # it began in a segment that is accounted for, and so not held: so long before, in the mean
        instant = segment.knots[0].timestamp() - (segment.first_column - start) * work.column_s
    if instant > by:
        return first
    burst_end = min(work.profile.burst_start(first) + work.profile.columns_per_burst, work.run.end_column)
    after = first_after(work, by)
    if after is None and by >= work.segments[0].knots[0].timestamp():
        raise CannotTell
    return max(burst_end, after or 0)


def _may_print_again(work: HeldWork) -> bool:
    rules = [rule for _, rule in work.policy.rules()]
    rules += [] if work.override is None else [work.override.rule]
    return any(rule.half_printed == "again" for rule in rules)
