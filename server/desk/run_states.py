"""What cannot be ordered of a run as it stands: why not, and what can be instead. Each is empty where it can."""

from __future__ import annotations

from server import wiring
from server.console import formatting
from server.desk.run_words import ends, has_begun, holds_to_come, is_accounted_for, is_withdrawn, told
from server.desk.subjects import Row


def not_held(row: Row) -> str:
    """Why it cannot be held."""
    return _nothing_to_come(row) or was_due(row)


def not_let_go_on(row: Row) -> str:
    """Why it cannot be let go on."""
    return _nothing_to_come(row) or ("" if holds_to_come(row) else "Nobody holds it, now or later.")


def not_ended(row: Row) -> str:
    """Why it cannot have another end."""
    if why := _nothing_ordered(row):
        return why
    return "" if has_begun(row) else "It has not begun. Change it as a whole, or withdraw it."


def not_followed(row: Row) -> str:
    """Why no other can go on where it ends."""
    if why := _nothing_to_come(row) or was_due(row):
        return why
    return "" if row["followed_by"] is None else f"Run {row['followed_by']} goes on where it ends already."


def not_withdrawn(row: Row) -> str:
    """Why it cannot be withdrawn."""
    if why := _nothing_ordered(row):
        return why
    return "Its machine has told of its columns already. Give it another end." if told(row) else was_due(row)


def not_changed(row: Row) -> str:
    """Why it cannot be another as a whole."""
    if why := _nothing_ordered(row):
        return why
    return "It has begun. Give it another end, or let another follow." if has_begun(row) else ""


def was_due(row: Row) -> str:
    """That its time is over."""
    if wiring.now() < ends(row):
        return ""
    last = formatting.moment(ends(row), row["zone"])
    return f"All of it was due by {last}. A later end lengthens it; what is missing of it is settled by its rule."


def _nothing_ordered(row: Row) -> str:
    if row["venue"] is None:
        return "Its machine was closed into an archive. What is known of the run stays, and nothing is ordered of it."
    return "It was withdrawn. Another can be planned in its place." if is_withdrawn(row) else ""


def _nothing_to_come(row: Row) -> str:
    if why := _nothing_ordered(row):
        return why
    return "It is over: all of it is accounted for. A later end lengthens it." if is_accounted_for(row) else ""
