"""A turn cut into equal parts, in integers: where the slots of segments and of strips begin."""

from __future__ import annotations


def slot_start(slot: int, columns: int, slots: int) -> int:
    """First running column of a slot, of so many columns and slots in a turn; slots are numbered on from turn to
    turn."""
    return (2 * slot * columns + slots) // (2 * slots)


def slot_of(column: int, columns: int, slots: int) -> int:
    """The number of the slot that holds a running column."""
    slot = column * slots // columns
    while slot_start(slot + 1, columns, slots) <= column:
        slot += 1
    while slot_start(slot, columns, slots) > column:
        slot -= 1
    return slot


def boundaries(after: int, through: int, columns_per_turn: int, strips_per_turn: int) -> list[int]:
    """Running columns at which strips begin, from after one column to another, that one included.

    Strip s of a turn begins at column (2 s C + S) // (2 S), in integers, as slots do.
    """
    if strips_per_turn == 0:
        return []
    per_turn = columns_per_turn, strips_per_turn
    first, last = after * strips_per_turn // columns_per_turn, through * strips_per_turn // columns_per_turn + 1
    starts = (slot_start(strip, *per_turn) for strip in range(first, last + 1))
    return sorted({start for start in starts if after < start <= through})


def boundary_count(after: int, through: int, columns_per_turn: int, strips_per_turn: int) -> int:
    """How many `boundaries` there are; of a run of years they may be millions, and none is looked at."""
    if strips_per_turn == 0 or through <= after:
        return 0
    return slot_of(through, columns_per_turn, strips_per_turn) - slot_of(after, columns_per_turn, strips_per_turn)
