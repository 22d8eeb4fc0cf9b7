"""One time that the server told, as far as its samples do not contradict each other."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, field
from functools import cached_property

from machines.node.clock.drift import Crystal
from machines.node.clock.samples import MOST_DRIFT, Sample

SAMPLES_KEPT = 8


@dataclass(frozen=True)
class Belief:
    """Samples that agree with each other, and what they prove of the crystal.

    Attributes:
        samples: the last eight, the newest at the end.
        crystal: what samples that lie apart prove of the board's rate.
    """

    samples: tuple[Sample, ...] = ()
    crystal: Crystal = field(default_factory=Crystal)

    def agrees_with(self, sample: Sample) -> bool:
        """Whether a sample can be true of the same board and the same time."""
        return all(earlier.agrees_with(sample, self.crystal.drift) for earlier in self._known)

    def after(self, sample: Sample) -> Belief:
        """With one more sample, which agrees. What was foretold better than it came true is forgotten: the crystal
        wandered, or the server's clock was nudged, and its newest word counts."""
        if all(map(self._foretells(sample), self.samples)):
            return Belief((*self.samples, sample)[-SAMPLES_KEPT:], self.crystal.after(sample))
        return Belief((sample,), self.crystal.surprised_by(sample))

    def stepped_to(self, sample: Sample) -> Belief:
        """What to believe if the server's clock stepped before this sample."""
        return Belief((sample,), self.crystal.begun_anew(sample))

    def disturbed_at(self, sample: Sample) -> Belief:
        """What to believe if it is the board's count that cannot be trusted so far: it may drift twice as much."""
        drift = min(2 * self.crystal.drift, MOST_DRIFT)
        return Belief((sample,), Crystal((sample,), self.crystal.wander, drift))

    def error_s(self, sample: Sample, elapsed_s: float) -> float:
        """Bound on the error of the server's time as it follows from a sample, at an elapsed second."""
        return sample.doubt_s + self.crystal.rate.error * abs(elapsed_s - sample.taken_at_s)

    def best(self, elapsed_s: float) -> Sample | None:
        """The sample that bounds the error best: of those alike in age, the one of least delay."""
        known = self._known
        if known and elapsed_s >= self._newest_s:
            return self._best_from_now_on
        return min(known, key=lambda sample: self.error_s(sample, elapsed_s), default=None)

    @cached_property
    def _known(self) -> tuple[Sample, ...]:
        return (*self.samples, *self.crystal.marks)

    @cached_property
    def _newest_s(self) -> float:
        return max(sample.taken_at_s for sample in self._known)

    @cached_property
    def _best_from_now_on(self) -> Sample:
        """The bounds of all grow alike, so whichever is best when the newest is taken stays so; each step of the print
        loop asks for the time."""
        return min(self._known, key=lambda sample: self.error_s(sample, self._newest_s))

    def reading(self, elapsed_s: float) -> tuple[float, float]:
        """The server's time at an elapsed second, POSIX seconds, and the bound on its error, seconds."""
        best = self.best(elapsed_s)
        assert best is not None, "there is a sample"
        return self._by(best, elapsed_s), self.error_s(best, elapsed_s)

    def apart_s(self, sample: Sample) -> float:
        """How far what a sample tells may be from what is believed."""
        now, _ = self.reading(sample.taken_at_s)
        return abs(sample.offset_s + sample.taken_at_s - now) + sample.doubt_s

    def _by(self, sample: Sample, elapsed_s: float) -> float:
        return sample.offset_s + elapsed_s + self.crystal.rate.mean * (elapsed_s - sample.taken_at_s)

    def _foretells(self, sample: Sample) -> Callable[[Sample], bool]:
        at_s = sample.taken_at_s
        now = sample.offset_s + at_s

        def foretells(earlier: Sample) -> bool:
            return abs(self._by(earlier, at_s) - now) <= self.error_s(earlier, at_s) + sample.doubt_s

        return foretells
