"""Spans of time as arrays: how much of them has passed, when so much of them will have, and which is next."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from functools import cached_property

import numpy as np
from numpy.typing import NDArray

FloatArray = NDArray[np.float64]
IntArray = NDArray[np.int64]
BoolArray = NDArray[np.bool_]
# What is reached but for so little, seconds, is reached: as a span ends, and not as the next begins.
AS_GOOD_AS_S = 1e-6


@dataclass(frozen=True, eq=False)
class Spans:
    """Spans apart from one another and in order, in seconds since a beginning.

    Attributes:
        starts, ends: of each.
    """

    starts: FloatArray
    ends: FloatArray

    @classmethod
    def of(cls, pairs: Sequence[tuple[float, float]]) -> Spans:
        """Spans of any order; those that touch or overlap become one."""
        joined: list[list[float]] = []
        for first, last in sorted(pairs):
            if joined and first <= joined[-1][1]:
                joined[-1][1] = max(joined[-1][1], last)
            else:
                joined.append([first, last])
        table = np.array(joined, dtype=np.float64).reshape(-1, 2)
        return cls(table[:, 0], table[:, 1])

    @classmethod
    def none(cls) -> Spans:
        """No span at all."""
        return cls.of(())

    def __len__(self) -> int:
        return len(self.starts)

    @cached_property
    def edges(self) -> FloatArray:
        """Where each begins and ends, in order."""
        return np.column_stack([self.starts, self.ends]).ravel()

    @cached_property
    def _passed(self) -> FloatArray:
        """How much of them has passed at each edge."""
        lengths = np.column_stack([np.zeros(len(self)), self.ends - self.starts]).ravel()
        return np.cumsum(lengths)

    def passed(self, at: FloatArray) -> FloatArray:
        """How much of them has passed at instants."""
        if not len(self):
            return np.zeros(np.shape(at))
        return np.interp(at, self.edges, self._passed)

    def when(self, passed: FloatArray) -> FloatArray:
        """When so much of them has passed first; infinity where they are not so long."""
        if not len(self):
            return np.full(np.shape(passed), np.inf)
        wanted = passed - AS_GOOD_AS_S
        index = np.minimum(np.searchsorted(self._passed, wanted, side="left"), len(self._passed) - 1)
        found: FloatArray = np.where(
            wanted > self._passed[-1], np.inf, self.edges[index] - (self._passed[index] - wanted)
        )
        return found

    def next_out(self, at: FloatArray) -> FloatArray:
        """Each instant itself if it lies in none, else the end of the span that it lies in."""
        if not len(self):
            return at
        index = np.minimum(np.searchsorted(self.ends, at, side="right"), len(self) - 1)
        is_in = (self.starts[index] <= at) & (at < self.ends[index])
        found: FloatArray = np.where(is_in, self.ends[index], at)
        return found

    def outside(self, at: FloatArray) -> FloatArray:
        """How much of the time until instants lies in none of them."""
        return at - self.passed(at) if len(self) else at

    def next_in(self, at: FloatArray) -> FloatArray:
        """Each instant itself if it lies in a span, else the beginning of the next; infinity where none comes."""
        index = np.searchsorted(self.ends, at, side="right")
        starts = np.append(self.starts, np.inf)
        found: FloatArray = np.maximum(at, starts[index])
        return found
