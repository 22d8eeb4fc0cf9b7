"""What the conditions of a machine, keywords of RFC 8011 and PWG 5100, ask of people."""

from __future__ import annotations

from scheduling.supplies.due_changes import wants_part_at_hand

# These are told otherwise: as what holds the machine, and as its knife.
_TOLD_OTHERWISE = ("paused", "separation-cutter-offline")


def is_told_otherwise(keyword: str) -> bool:
    """Whether a condition says only what is known of the machine without it."""
    return keyword.startswith(_TOLD_OTHERWISE)


def asks_for_hands(keyword: str) -> bool:
    """Whether a condition asks for somebody's hands at once."""
    return not is_told_otherwise(keyword) and not wants_part_at_hand(keyword)
