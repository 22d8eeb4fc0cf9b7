"""How many dots plates have, column by column: of one digest the same for ever."""

from __future__ import annotations

from collections.abc import Iterable
from functools import lru_cache

import numpy as np
from numpy.typing import NDArray

from machines.protocol.messages import SegmentWork
from scheduling.rendering.plate_store import PlateGone, PlateStore


@lru_cache(maxsize=512)
def dots_of_turn(plates: PlateStore, digest: str) -> NDArray[np.int32]:
    """The dots in each column of a plate. Opening a plate takes long; of the largest some 30 MB of counts are kept, of
    a year of turns.

    Raises:
        PlateGone: it is not there.
    """
    of_turn: NDArray[np.int32] = plates.get(digest).dots.sum(axis=0, dtype=np.int32)
    of_turn.setflags(write=False)
    return of_turn


def dots_of_segments(plates: PlateStore, plate: str, segments: Iterable[SegmentWork]) -> tuple[int, ...]:
    """How many dots segments of one turn have, each of them; none at all where its plate is not there."""
    try:
        of_turn = dots_of_turn(plates, plate)
    except PlateGone:
        return ()
    columns = (np.arange(one.first_column, one.end_column) % len(of_turn) for one in segments)
    return tuple(int(of_turn[mine].sum()) for mine in columns)
