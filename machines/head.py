"""A carriage head: which of its nozzles sets which dot.

The nozzles stand in a row along the feed, one column pitch apart. The paper moves one column a *feed step*, and at
feed step s nozzle j stands over running column ``s - j``; so every column passes under every nozzle, column x under
nozzle j at feed step ``x + j``. Each dot is set by ``passes`` distinct nozzles, so that one dead nozzle costs no dot
(with two passes or more).

    column     x     x+1   x+2
    step x     0                      the number is the nozzle that stands over the column
    step x+1   1     0
    step x+2   2     1     0

Which nozzles set a dot is a hash of seed, running column and row, and of nothing else: whoever plans a segment, and
whenever, plans the same, and segments meet without a mark. At the steps where two segments overlap under the head,
what a nozzle does is the union of what their plans say, as each fires over its own columns only.
"""

from __future__ import annotations

from collections.abc import Collection
from dataclasses import dataclass
from functools import lru_cache
from itertools import combinations
from math import comb

import numpy as np
from numpy.typing import NDArray

from machines.errors import InputError
from machines.profile import CarriageHead

Dots = NDArray[np.bool_]

# A dot's choice of nozzles is a row of a table, numbered by 16 bits of hash. Row 0 is no nozzle: no dot.
_CHOICES = 65_535
NO_NOZZLE = 65_535
# Columns planned at a time: small enough for the cache of a small board's processor.
_CHUNK = 16


@dataclass(frozen=True, eq=False)
class HeadPlan:
    """What every nozzle does while one segment passes under the head. Two bytes a dot.

    Attributes:
        head: the head that it is for.
        first_column: the segment's first running column.
        choices: for every dot the number of a choice of nozzles, 0 for no dot; uint16, shape (columns, rows).
        table: the nozzles of every choice, uint16, shape (choices, nozzles of a dot); row 0 is none.
    """

    head: CarriageHead
    first_column: int
    choices: NDArray[np.uint16]
    table: NDArray[np.uint16]

    @property
    def steps(self) -> range:
        """The feed steps at which some nozzle stands over the segment, lead-in and lead-out included."""
        return range(self.first_column, self.first_column + len(self.choices) + self.head.nozzles - 1)

    def fired(self, step: int) -> Dots:
        """Which nozzle fires at which row of one feed step, bool of shape (nozzles, rows)."""
        fires = np.zeros((self.head.nozzles, self.choices.shape[1]), dtype=np.bool_)
        column = step - self.first_column
        nozzles = np.arange(max(0, column - len(self.choices) + 1), min(self.head.nozzles, column + 1))
        chosen = self.table[self.choices[column - nozzles]]
        fires[nozzles] = (chosen == nozzles[:, None, None]).any(axis=2)
        return fires

    def masks(self) -> NDArray[np.unsignedinteger]:
        """The nozzles of every dot as bits, bit j for nozzle j, shape (columns, rows).

        Raises:
            ValueError: the head has more than 64 nozzles.
        """
        if self.head.nozzles > 64:
            raise ValueError(f"{self.head.nozzles} nozzles do not fit 64 bits: use fired")
        width = next(width for width in (16, 32, 64) if self.head.nozzles <= width)
        shifted = np.uint64(1) << self.table[1:].astype(np.uint64)
        bits = np.concatenate([np.zeros(1, dtype=np.uint64), np.bitwise_or.reduce(shifted, axis=1)])
        return bits.astype(f"uint{width}")[self.choices]

    def drops(self) -> NDArray[np.int64]:
        """How many drops each nozzle fires."""
        times = np.bincount(self.choices.ravel(), minlength=len(self.table))[1:]
        weights = np.repeat(times, self.table.shape[1])
        return np.bincount(self.table[1:].ravel(), weights, self.head.nozzles).astype(np.int64)

    def laid(self, dead: Collection[int] = ()) -> Dots:
        """The dots that reach the paper when some nozzles are dead and the plan did not know, shape (rows, columns)."""
        gone = np.array([*dead, NO_NOZZLE], dtype=np.uint16)
        reaches = np.isin(self.table, gone, invert=True).any(axis=1)
        return np.ascontiguousarray(np.take(reaches, self.choices).T)


def plan(dots: Dots, first_column: int, head: CarriageHead, seed: int, dead: Collection[int] = ()) -> HeadPlan:
    """Choose the nozzles of every dot of a segment.

    Args:
        dots: bool, shape (rows, columns).
        first_column: the segment's first running column.
        head: the head.
        seed: the run's; another seed is another pattern of nozzles.
        dead: nozzles known to be dead, which are left out. The others wear alike.

    Raises:
        InputError: no such nozzle, or too few are alive to set each dot by distinct ones.
    """
    alive = _alive(head, dead)
    table = _table(alive, head.passes)
    rows, columns = dots.shape
    choices = np.empty((columns, rows), dtype=np.uint16)
    keys_of_rows = _mixed(np.uint64(_low(seed)), np.arange(rows, dtype=np.uint64))
    keys_of_columns = _mixed(
        np.uint64(_low(seed) ^ 0xC01), np.arange(first_column, first_column + columns).astype(np.uint64)
    )
    for start in range(0, columns, _CHUNK):
        part = slice(start, min(start + _CHUNK, columns))
        _choose(keys_of_columns[part, None], keys_of_rows, dots[:, part].T, choices[part])
    return HeadPlan(head, first_column, choices, table)


def lost_share(nozzles: int, passes: int, dead: int) -> float:
    """Expected share of dots that no living nozzle sets, when the dead ones are not known to the plan.

    Each dot has ``passes`` distinct nozzles, all choices alike: C(dead, passes) / C(nozzles, passes)."""
    return comb(dead, passes) / comb(nozzles, passes)


def _alive(head: CarriageHead, dead: Collection[int]) -> tuple[int, ...]:
    for nozzle in dead:
        if not 0 <= nozzle < head.nozzles:
            raise InputError("dead", f"no nozzle {nozzle}", f"the nozzles are 0 to {head.nozzles - 1}")
    alive = tuple(nozzle for nozzle in range(head.nozzles) if nozzle not in dead)
    if len(alive) < head.passes:
        raise InputError(
            "dead", f"{len(alive)} nozzles alive for {head.passes} passes", "change the cartridge, or give fewer passes"
        )
    return alive


def _low(seed: int) -> int:
    return seed & 0xFFFF_FFFF_FFFF_FFFF


def _mixed(seed: np.uint64, counters: NDArray[np.uint64]) -> NDArray[np.uint32]:
    """A hash of seed and counters: the finalizer of SplitMix64 (Steele, Lea & Flood 2014, from memory)."""
    x = (counters + np.uint64(1)) * np.uint64(0x9E3779B97F4A7C15) + seed
    x = (x ^ (x >> np.uint64(30))) * np.uint64(0xBF58476D1CE4E5B9)
    x = (x ^ (x >> np.uint64(27))) * np.uint64(0x94D049BB133111EB)
    return ((x ^ (x >> np.uint64(31))) >> np.uint64(32)).astype(np.uint32)


def _choose(columns: NDArray[np.uint32], rows: NDArray[np.uint32], dots: Dots, choices: NDArray[np.uint16]) -> None:
    """Write a choice 1 to 65535 where there is a dot and 0 elsewhere."""
    x = columns + rows
    x ^= x >> np.uint32(15)
    x *= np.uint32(0x2C1B3C6D)
    x ^= x >> np.uint32(12)
    x *= np.uint32(0x297A2D39)
    x >>= np.uint32(16)
    np.maximum(x, 1, out=choices, casting="unsafe")
    choices *= dots


@lru_cache(maxsize=16)
def _table(alive: tuple[int, ...], passes: int) -> NDArray[np.uint16]:
    """All choices, row 0 being none. Each of the living nozzles stands in as many rows as any other, but for a
    rounding."""
    subsets = (
        _all_subsets(len(alive), passes) if comb(len(alive), passes) <= _CHOICES else _some_subsets(len(alive), passes)
    )
    nozzles = np.array(alive, dtype=np.uint16)[subsets]
    table = np.concatenate([np.full((1, passes), NO_NOZZLE, dtype=np.uint16), nozzles])
    table.setflags(write=False)
    return table


def _all_subsets(nozzles: int, passes: int) -> NDArray[np.intp]:
    """Every subset, each as often as any other, but for a rounding that is spread evenly over them."""
    subsets = np.array(list(combinations(range(nozzles), passes)), dtype=np.intp)
    return subsets[np.arange(_CHOICES) * len(subsets) // _CHOICES]


def _some_subsets(nozzles: int, passes: int) -> NDArray[np.intp]:
    """Subsets drawn by hash, each turned through all nozzles so that they wear alike."""
    drawn = -(-_CHOICES // nozzles)
    keys = _mixed(np.uint64(passes), np.arange(drawn * nozzles, dtype=np.uint64)).reshape(drawn, nozzles)
    subsets = np.argsort(keys, axis=1, kind="stable")[:, :passes]
    turned = (subsets[:, None, :] + np.arange(nozzles)[:, None]) % nozzles
    return turned.reshape(-1, passes)[:_CHOICES]
