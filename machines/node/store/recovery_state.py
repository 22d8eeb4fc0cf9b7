"""What the journal keeps of the outage that is being made good, and of what earlier ones have left behind."""

from __future__ import annotations

import sqlite3
from dataclasses import dataclass

from machines.operator.language import _, decimal
from machines.operator.stop_causes import CAUSE_WORDS
from machines.recovery import Cause, Columns, Decision, Gap


@dataclass(frozen=True, kw_only=True)
class Recovering:
    """The row of the table ``recovery``.

    Attributes:
        shift_s: how long the run's timeline has waited so far, seconds.
        feed_to: blank paper is fed up to this place before anything more is laid.
        left_out: columns that are left out when printing comes to them.
        blank: their places on the paper are fed blank.
        half_printed: the segment that was half printed and is being finished or printed again.
        again_end: columns of it before this one are laid once more.
        closed_only: it catches up only in the venue's closed hours.
        since: from when on something was missing, POSIX seconds; None if that is not known.
        cause: of that.
        override: the last word of a person that was taken, by its id.
    """

    shift_s: float
    feed_to: int
    left_out: Columns | None
    blank: bool
    half_printed: Columns | None
    again_end: int | None
    closed_only: bool
    since: float | None
    cause: Cause | None
    override: str | None


def in_words(kept: Recovering, *, catching_up: bool, next_column: int) -> str:
    """What is being made good, to follow what is being printed; empty if nothing is."""
    said = []
    if catching_up:
        after = _("catching up after {cause}")
        said.append(after.format(cause=_(CAUSE_WORDS[kept.cause])) if kept.cause else _("catching up"))
        if kept.closed_only:
            said.append(_("faster than the sky only while the venue is closed"))
        if kept.again_end is not None and next_column < kept.again_end:
            said.append(_("a half-printed segment is printed again"))
    if kept.shift_s:
        hours = decimal(f"{kept.shift_s / 3600.0:.2f}")
        said.append(_("all of the run is {hours} hours later than it was planned").format(hours=hours))
    return "".join(f", {one}" for one in said)


def read(db: sqlite3.Connection) -> Recovering:
    """As it stands inside a transaction."""
    row = db.execute(
        "SELECT shift_s, feed_to, left_first, left_end, left_blank, half_first, half_end, again_end, closed_only,"
        " since, cause, override FROM recovery"
    ).fetchone()
    return Recovering(
        shift_s=row[0],
        feed_to=row[1],
        left_out=None if row[2] is None else Columns(first=row[2], end=row[3]),
        blank=bool(row[4]),
        half_printed=None if row[5] is None else Columns(first=row[5], end=row[6]),
        again_end=row[7],
        closed_only=bool(row[8]),
        since=row[9],
        cause=row[10],
        override=row[11],
    )


def note_settlement(
    db: sqlite3.Connection, gap: Gap, decision: Decision, *, since: float | None, closed_only: bool
) -> None:
    """Keep what a decision leaves to be done, and by what a person's later word would be judged.

    Args:
        db: the journal.
        gap: that was settled.
        decision: about it.
        since: from when on something was missing, POSIX seconds; None if that is not known.
        closed_only: the rule catches up only in the venue's closed hours.
    """
    half = gap.segment if gap.segment is not None and decision.onward < gap.segment.end else None
    left_first, left_end = _bounds(decision.skipped)
    half_first, half_end = _bounds(half)
    _change(
        db,
        left_first=left_first,
        left_end=left_end,
        left_blank=decision.action == "blank",
        half_first=half_first,
        half_end=half_end,
        closed_only=closed_only,
        since=since,
        cause=gap.cause,
    )
    if decision.again:
        _change(db, again_end=decision.again.end)
    if gap.override is not None:
        _change(db, override=gap.override.id)


def note_shift(db: sqlite3.Connection, shift_s: float) -> None:
    """The run's timeline has waited so long in all."""
    _change(db, shift_s=shift_s)


def reach_left_out(db: sqlite3.Connection, feed_to: int | None) -> None:
    """Printing came to what is left out; blank paper is fed up to a place, if to any."""
    _change(db, left_first=None, left_end=None)
    if feed_to is not None:
        _change(db, feed_to=feed_to)


def begin_run(db: sqlite3.Connection, shift_s: float) -> None:
    """Turn to another run, whose timeline has waited so long; nothing of the last one is to be made good any more."""
    ended = ("left_first", "left_end", "half_first", "half_end", "again_end", "since", "cause")
    _change(db, shift_s=shift_s, closed_only=0, **dict.fromkeys(ended))


def _bounds(columns: Columns | None) -> tuple[int, int] | tuple[None, None]:
    return (columns.first, columns.end) if columns else (None, None)


def _change(db: sqlite3.Connection, **columns: str | float | None) -> None:
    assignments = ", ".join(f"{name} = :{name}" for name in columns)
    db.execute(f"UPDATE recovery SET {assignments}", columns)
