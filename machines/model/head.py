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
from functools import cached_property, lru_cache
from itertools import combinations
from math import comb

import numpy as np
from numpy.lib.stride_tricks import sliding_window_view
from numpy.typing import NDArray

from machines.errors import InputError
from machines.model.profile import CarriageHead

Dots = NDArray[np.bool_]

# A dot's choice of nozzles is a row of a table, numbered by 15 bits of hash and 1. Row 0 is no nozzle: no dot.
_CHOICES = 32_768
NO_NOZZLE = 65_535
# Dots planned at a time: few enough for the cache of a small board's processor.
_CHUNK = 32_768
_CHUNK_COLUMNS = 4096
_TABLE_LENGTHS = (65_536, 65_521)


@dataclass(frozen=True, eq=False)
class Choices:
    """Sets of nozzles that can set a dot, by number.

    Attributes:
        nozzles: uint16, shape (choices, nozzles of a dot); row 0 is no nozzle, 65535.
    """

    nozzles: NDArray[np.uint16]

    @cached_property
    def bits(self) -> NDArray[np.uint64]:
        """Every set as bits, bit j for nozzle j below 64."""
        bits = np.bitwise_or.reduce(np.uint64(1) << self.nozzles.astype(np.uint64), axis=1)
        bits[0] = 0
        return np.asarray(bits)


@dataclass(frozen=True, eq=False)
class HeadPlan:
    """What every nozzle does while one segment passes under the head. Two bytes a dot.

    Attributes:
        head: the head that it is for.
        first_column: the segment's first running column.
        numbers: for every dot the number of its choice of nozzles, 0 for no dot; uint16, shape (rows, columns).
        choices: the nozzles of every choice.
    """

    head: CarriageHead
    first_column: int
    numbers: NDArray[np.uint16]
    choices: Choices

    @property
    def steps(self) -> range:
        """The feed steps at which some nozzle stands over the segment, lead-in and lead-out included."""
        return range(self.first_column, self.first_column + self.numbers.shape[1] + self.head.nozzles - 1)

    def fired(self, step: int) -> Dots:
        """Which nozzle fires at which row of one feed step, bool of shape (nozzles, rows)."""
        rows, columns = self.numbers.shape
        fires = np.zeros((self.head.nozzles, rows), dtype=np.bool_)
        column = step - self.first_column
        nozzles = np.arange(max(0, column - columns + 1), min(self.head.nozzles, column + 1))
        chosen = self.choices.nozzles[self.numbers[:, column - nozzles].T]
        fires[nozzles] = (chosen == nozzles[:, None, None]).any(axis=2)
        return fires

    def masks(self) -> NDArray[np.unsignedinteger]:
        """The nozzles of every dot as bits, bit j for nozzle j, shape (rows, columns).

        Raises:
            ValueError: the head has more than 64 nozzles.
        """
        if self.head.nozzles > 64:
            raise ValueError(f"{self.head.nozzles} nozzles do not fit 64 bits: use fired")
        width = next(width for width in (16, 32, 64) if self.head.nozzles <= width)
        bits = self.choices.bits.astype(f"uint{width}")
        return np.take(bits, self.numbers, mode="clip")  # no number is out of range

    def drops(self) -> NDArray[np.int64]:
        """How many drops each nozzle fires."""
        sets = self.choices.nozzles[1:]
        times = np.bincount(self.numbers.ravel(), minlength=len(sets) + 1)[1:]
        return np.bincount(sets.ravel(), np.repeat(times, sets.shape[1]), self.head.nozzles).astype(np.int64)

    def laid(self, dead: Collection[int] = ()) -> Dots:
        """The dots that reach the paper when some nozzles are dead and the plan did not know, shape (rows, columns)."""
        return np.asarray(np.take(_reaching(self.choices, frozenset(dead)), self.numbers, mode="clip"))


@lru_cache(maxsize=16)
def _reaching(choices: Choices, dead: frozenset[int]) -> Dots:
    """Which choices have a nozzle that is not dead; the same for all segments of a run."""
    gone = np.array([*dead, NO_NOZZLE], dtype=np.uint16)
    return np.asarray(np.isin(choices.nozzles, gone, invert=True).any(axis=1))


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
    choices = _choices(alive, head.passes)
    numbers = np.empty(dots.shape, dtype=np.uint16)
    for left in range(0, dots.shape[1], _CHUNK_COLUMNS):
        columns = slice(left, left + _CHUNK_COLUMNS)
        _choose(seed, first_column + left, dots[:, columns], numbers[:, columns])
    return HeadPlan(head, first_column, numbers, choices)


def lost_share(nozzles: int, passes: int, dead: int) -> float:
    """Expected share of dots that no living nozzle sets, when the dead ones are not known to the plan.

    Each dot has ``passes`` distinct nozzles, all choices alike: C(dead, passes) / C(nozzles, passes). Nozzles that
    the plan leaves out count neither among the nozzles nor among the dead."""
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


def _mixed(seed: np.uint64, counters: NDArray[np.uint64]) -> NDArray[np.uint32]:
    """A hash of seed and counters: the finalizer of SplitMix64 (Steele, Lea & Flood 2014, from memory)."""
    x = (counters + np.uint64(1)) * np.uint64(0x9E3779B97F4A7C15) + seed
    x = (x ^ (x >> np.uint64(30))) * np.uint64(0xBF58476D1CE4E5B9)
    x = (x ^ (x >> np.uint64(27))) * np.uint64(0x94D049BB133111EB)
    return ((x ^ (x >> np.uint64(31))) >> np.uint64(32)).astype(np.uint32)


def _choose(seed: int, first_column: int, dots: Dots, numbers: NDArray[np.uint16]) -> None:
    """Write the number of a choice, 1 to 32768, where there is a dot and 0 elsewhere, by a hash of the place.

    Two tables of random numbers are read along the columns, from a place in each that is the row's own, and added bit
    by bit (tabulation hashing; Zobrist 1970, from memory). As their lengths have no common divisor, a row repeats
    itself only after four thousand million columns, and two rows are alike only if both places happen to agree.
    """
    rows, columns = dots.shape
    counters = np.arange(rows, dtype=np.uint64)
    reads = []
    for number, length in enumerate(_TABLE_LENGTHS):
        places = _mixed(_key(seed, 2 * number), counters).astype(np.int64)
        windows = sliding_window_view(_random_table(seed, number), columns)
        reads.append((windows, (places + first_column % length) % length))
    (windows, places), (other_windows, other_places) = reads
    height = max(1, _CHUNK // columns)
    for top in range(0, rows, height):
        part = slice(top, top + height)
        hashes = windows[places[part]]
        hashes ^= other_windows[other_places[part]]
        hashes >>= np.uint16(1)
        hashes += np.uint16(1)
        np.multiply(hashes, dots[part].view(np.uint8), out=numbers[part])


def _key(seed: int, number: int) -> np.uint64:
    """A key of its own for every number 0 to 3 of every seed."""
    return np.uint64((4 * seed + number) & 0xFFFF_FFFF_FFFF_FFFF)


@lru_cache(maxsize=8)
def _random_table(seed: int, number: int) -> NDArray[np.uint16]:
    """One of the two tables, with its beginning repeated at its end for a chunk that runs over it."""
    length = _TABLE_LENGTHS[number]
    table = (_mixed(_key(seed, 2 * number + 1), np.arange(length, dtype=np.uint64)) >> np.uint32(16)).astype(np.uint16)
    return np.concatenate([table, table[:_CHUNK_COLUMNS]])


@lru_cache(maxsize=16)
def _choices(alive: tuple[int, ...], passes: int) -> Choices:
    """Sets of living nozzles, each nozzle in as many as any other, but for a rounding."""
    few = comb(len(alive), passes) <= _CHOICES
    subsets = _all_subsets(len(alive), passes) if few else _some_subsets(len(alive), passes)
    none = np.full((1, passes), NO_NOZZLE, dtype=np.uint16)
    return Choices(np.concatenate([none, np.array(alive, dtype=np.uint16)[subsets]]))


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
