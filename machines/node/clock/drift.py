"""How fast the board's crystal runs against the server, as far as samples prove it that lie apart.

Two samples A and B, with bounds a and b on their errors and T seconds between them, prove the mean rate in between to
within (a + b) / T:

    rate = (offset of B - offset of A) / T                offset
                                                            |            . B  +- b
    The rate at any other time differs from that mean       |       .
    by at most the wander, as far as the crystal's rate     |  .
    stays within a band of that width; so what all pairs    | A  +- a
    prove together bounds the rate from now on.             +--------------------> elapsed

That the rate stays in such a band is assumed, not proved: an AT-cut crystal indoors changes by some 0.1 to 0.2 ppm a
kelvin, so that 15 kelvin between the coldest night and the hottest noon make 3 ppm (from memory). Pairs that contradict
each other disprove the assumption; then the band is widened, and the rate is learned anew.

What was learned in an earlier boot (`machines.node.clock.known_rate`) bounds the rate from the first sample on, until
pairs of this boot contradict it.
"""

from __future__ import annotations

import math
from collections.abc import Iterable
from dataclasses import dataclass, replace
from functools import cached_property
from itertools import combinations

from machines.node.clock.samples import DRIFT, Sample

# Width of the band in which the crystal's rate stays while the board is on.
WANDER = 3e-6
# Of so many seconds the best sample is a mark, kept to compare later ones with.
MARK_EVERY_S = 600.0
MARKS_KEPT = 24

# Somewhere the rate was at least the first, and somewhere at most the second.
Proved = tuple[float, float]


@dataclass(frozen=True, kw_only=True)
class Rate:
    """The server's seconds in one of the board's, less one; and the bound on its error."""

    mean: float
    error: float

    @property
    def lowest(self) -> float:
        """The least that it can be."""
        return self.mean - self.error

    @property
    def highest(self) -> float:
        """The most that it can be."""
        return self.mean + self.error


@dataclass(frozen=True)
class Crystal:
    """What is known of the crystal of this boot.

    Attributes:
        marks: samples at least of different ten minutes, the oldest first.
        wander: width of the band in which its rate stays.
        drift: bound on its rate, whatever else is known.
        known: its rate as it was learned before the first mark; None if it was not.
    """

    marks: tuple[Sample, ...] = ()
    wander: float = WANDER
    drift: float = DRIFT
    known: Rate | None = None

    def after(self, sample: Sample) -> Crystal:
        """With one more sample. One that contradicts the wander has it doubled, and the rate is learned anew."""
        proved = _together(self._proved, _proved((mark, sample) for mark in self.marks))
        for crystal in (self, replace(self, known=None)):
            if _rate(proved, self.wander, crystal.before) is not None:
                marks = _with(self.marks, sample)
                return crystal if marks == self.marks else replace(crystal, marks=marks)
        return self.surprised_by(sample)

    def surprised_by(self, sample: Sample) -> Crystal:
        """With a sample that it cannot have come to by the rate that was learned."""
        return Crystal((sample,), min(2 * self.wander, 2 * self.drift), self.drift)

    def begun_anew(self, sample: Sample) -> Crystal:
        """Of the same board, where only the server's time is another: what was learned of its rate stays known."""
        return Crystal((sample,), self.wander, self.drift, self.rate if self.learned else None)

    @property
    def before(self) -> Rate:
        """Bounds the rate before any mark."""
        return self.known or Rate(mean=0.0, error=self.drift)

    @cached_property
    def rate(self) -> Rate:
        """Bounds the mean rate over any time of this boot."""
        return _rate(self._proved, self.wander, self.before) or Rate(mean=0.0, error=self.drift)

    @cached_property
    def _proved(self) -> Proved:
        return _proved(combinations(self.marks, 2))

    @property
    def learned(self) -> bool:
        """Whether it is known better than of a crystal about which nothing is."""
        return self.rate.error < self.drift


def _with(marks: tuple[Sample, ...], sample: Sample) -> tuple[Sample, ...]:
    if marks and _time_of(marks[-1]) == _time_of(sample):
        return (*marks[:-1], min(marks[-1], sample, key=lambda one: one.doubt_s))
    return _thinned((*marks, sample))


def _time_of(sample: Sample) -> int:
    return int(sample.taken_at_s // MARK_EVERY_S)


def _thinned(marks: tuple[Sample, ...]) -> tuple[Sample, ...]:
    """Without the one that stands closest between its neighbours, if there are too many."""
    if len(marks) <= MARKS_KEPT:
        return marks
    gaps = [after.taken_at_s - before.taken_at_s for before, after in zip(marks, marks[2:], strict=False)]
    closest = gaps.index(min(gaps)) + 1
    return marks[:closest] + marks[closest + 1 :]


def _proved(pairs: Iterable[tuple[Sample, Sample]]) -> Proved:
    """What pairs of marks prove, those that lie far enough apart."""
    at_least, at_most = -math.inf, math.inf
    for earlier, later in pairs:
        between_s = later.taken_at_s - earlier.taken_at_s
        assert between_s >= 0, "elapsed seconds only grow"
        if between_s >= MARK_EVERY_S:
            lowest, highest = _bounds(earlier, later)
            at_least, at_most = max(at_least, lowest), min(at_most, highest)
    return at_least, at_most


def _together(one: Proved, other: Proved) -> Proved:
    return max(one[0], other[0]), min(one[1], other[1])


def _rate(proved: Proved, wander: float, before: Rate) -> Rate | None:
    """What pairs of marks and what was known before prove together; None if they contradict each other."""
    at_least, at_most = proved
    if math.isinf(at_least):  # no two of them lie far enough apart
        return before
    lowest, highest = max(before.lowest, at_least - wander), min(before.highest, at_most + wander)
    if at_least - at_most > wander or lowest > highest:
        return None
    return Rate(mean=(lowest + highest) / 2, error=(highest - lowest) / 2)


def _bounds(earlier: Sample, later: Sample) -> tuple[float, float]:
    """The least and the most that the mean rate between two marks can be."""
    between_s = later.taken_at_s - earlier.taken_at_s
    mean, error = (later.offset_s - earlier.offset_s) / between_s, (earlier.doubt_s + later.doubt_s) / between_s
    return mean - error, mean + error
