"""Where strips end on the paper, for a node that never moves the knife: each hangs on to the next."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

from tests.tiny_node.journal import Journal
from tests.tiny_node.work import Held


def note(journal: Journal, held: Held, first: int, end: int, places: Mapping[int, int], onward: int) -> None:
    """Where strips begin among columns from one on to before another.

    Args:
        journal, held: of the node.
        first, end: the columns.
        places: where those lie that are on the paper.
        onward: the place of what comes next: a strip whose first column is left out begins there.
    """
    pending: list[Any] = journal.get("strips", [])
    for boundary in held.boundaries(first - 1, end - 1):
        if boundary > held.run["first_column"]:
            pending.append([boundary, places.get(boundary, onward)])
    journal.put(strips=pending)


def pass_knife(journal: Journal, held: Held, now: float) -> None:
    """Tell of those that have come to the knife."""
    pending: list[Any] = journal.get("strips", [])
    under = journal.get("place") - held.knife_columns
    for boundary, place in pending:
        if place <= under:
            run = held.run["id"]
            journal.tell("strip-cut", now, run=run, boundary=boundary, paper_position=place, made=False)
    journal.put(strips=[one for one in pending if one[1] > under])
