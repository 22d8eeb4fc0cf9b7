"""What time it is, by the server, as far as a board without a battery clock can know.

Each sample (`machines.node.samples`) proves the server's time to within its delay; from then on the bound grows with
the age of the sample, by what is known of the board's crystal (`machines.node.crystal`).

A sample that contradicts an earlier one beyond both their bounds says that a clock stepped: the server's was set, or it
was wrong before, or the board's count was disturbed. Which, the node cannot know. So it forgets everything earlier,
has no bound on its error, and prints nothing, until the server has told one and the same time for a while.

Where the server is out of reach and its time not known, a person may set it, and says by how much it may be wrong. The
server's next word ends that.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, field, replace

from machines.node.crystal import Crystal
from machines.node.samples import DRIFT, Sample

SAMPLES_KEPT = 8
# After a step the server must tell one time for so long, seconds of the board, and in as many samples as are kept.
PROBATION_S = 900.0


@dataclass(frozen=True, kw_only=True)
class Estimate:
    """An instant by the server's clock, POSIX seconds, and the bound on its error, seconds; infinite where there is
    none, after a step. ``by_hand`` if a person set it."""

    now: float
    error_s: float
    by_hand: bool = False

    @property
    def doubted(self) -> bool:
        """Whether a clock stepped, and which time is right is not sure yet."""
        return math.isinf(self.error_s)


@dataclass(frozen=True, kw_only=True)
class HandTime:
    """What a person said of the time.

    Attributes:
        offset_s: UTC, POSIX seconds, at elapsed second 0.
        error_s: by how much it may be wrong, as the person said, seconds.
        set_at_s: elapsed second at which it was said.
    """

    offset_s: float
    error_s: float
    set_at_s: float

    def estimate(self, elapsed_s: float) -> Estimate:
        """The time at an elapsed second; what is known of the crystal adds to the doubt."""
        error_s = self.error_s + DRIFT * abs(elapsed_s - self.set_at_s)
        return Estimate(now=self.offset_s + elapsed_s, error_s=error_s, by_hand=True)


@dataclass(frozen=True)
class ServerTime:
    """What this boot of the board knows of the server's time.

    Attributes:
        samples: the last eight, the newest at the end.
        crystal: what samples hours apart prove of the board's rate.
        doubted_since_s: elapsed second of the first sample after a step; None while nothing contradicts.
        by_hand: what a person said since the last sample; None for nothing.
    """

    samples: tuple[Sample, ...] = ()
    crystal: Crystal = field(default_factory=Crystal)
    doubted_since_s: float | None = None
    by_hand: HandTime | None = None

    def set_by(self, word: HandTime) -> ServerTime:
        """With a person's word, until the server's next one."""
        return replace(self, by_hand=word)

    def after(self, sample: Sample) -> ServerTime:
        """With one more sample, which ends what a person said."""
        if not all(earlier.agrees_with(sample) for earlier in (*self.samples, *self.crystal.marks)):
            return ServerTime((sample,), Crystal((sample,)), sample.taken_at_s)
        samples = (*self.samples, sample)[-SAMPLES_KEPT:]
        since_s = self.doubted_since_s
        if since_s is not None and len(samples) == SAMPLES_KEPT and sample.taken_at_s - since_s >= PROBATION_S:
            since_s = None
        return ServerTime(samples, self.crystal.after(sample), since_s)

    def error_s(self, sample: Sample, elapsed_s: float) -> float:
        """Bound on the error of the server's time as it follows from a sample, at an elapsed second."""
        return sample.doubt_s + self.crystal.rate.error * abs(elapsed_s - sample.taken_at_s)

    def best(self, elapsed_s: float) -> Sample | None:
        """The sample that bounds the error best: of those alike in age, the one of least delay."""
        known = (*self.samples, *self.crystal.marks)
        return min(known, key=lambda sample: self.error_s(sample, elapsed_s), default=None)

    def estimate(self, elapsed_s: float) -> Estimate | None:
        """The server's time at an elapsed second; None before the first sample and a person's word."""
        if self.by_hand is not None:
            return self.by_hand.estimate(elapsed_s)
        best = self.best(elapsed_s)
        if best is None:
            return None
        now = best.offset_s + elapsed_s + self.crystal.rate.mean * (elapsed_s - best.taken_at_s)
        return Estimate(
            now=now, error_s=math.inf if self.doubted_since_s is not None else self.error_s(best, elapsed_s)
        )
