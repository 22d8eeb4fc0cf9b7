"""What time it is, by the server, as far as a board without a battery clock can know.

Each sample (`machines.node.clock.samples`) proves the server's time to within its delay; from then on the bound grows
with the age of the sample, by what is known of the board's crystal (`machines.node.clock.drift`).

A sample that contradicts what is believed says that a clock stepped: the server's was set, or it was wrong before, or
the board's count was disturbed. Which, the node cannot know. It keeps to the time that it believes, so that nothing
jumps to and fro, and its bound reaches as far as anything that the server told since, with that one's own bound:

    server told |-----A-----A-----A        B-----B-----B-- ... --B   B for a quarter of an hour: B is believed
    followed    |-----A-----A-----A--------A-----A-----A-- ... --B
    bound       |     a           |<- as far as from A to B, + a + b ->|  b

Once the server has told one time for a while, that time is believed, and the bound is that time's own. If it tells
again what is believed, the same while has to pass. Nothing is printed meanwhile only where the bound is more than the
profile allows. What the server's clock did since the last sample no node can know; nor a step that is less than the
bounds of the samples themselves.

Where the server is out of reach and its time not known, the board goes by a clock of its own that it can believe
(`machines.node.clock.own_clocks`), or a person may set the time, and says by how much it may be wrong. The server's
next word ends both.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, field, replace

from machines.node.clock.drift import Rate
from machines.node.clock.estimate import SAMPLES_KEPT, Belief
from machines.node.clock.samples import Sample

# After a step the server must tell one time for so long, seconds of the board, and in as many samples as are kept.
PROBATION_S = 900.0


@dataclass(frozen=True, kw_only=True)
class Estimate:
    """An instant by the server's clock.

    Attributes:
        now: POSIX seconds.
        error_s: bound on its error, seconds.
        by_hand: a person set it.
        by_board: a clock of the board's own tells it.
        rival_now: what the server told last, where it contradicts itself, POSIX seconds; None for no doubt.
    """

    now: float
    error_s: float
    by_hand: bool = False
    by_board: bool = False
    rival_now: float | None = None

    @property
    def doubted(self) -> bool:
        """Whether a clock stepped, and which time is right is not sure yet."""
        return self.rival_now is not None


@dataclass(frozen=True, kw_only=True)
class HandTime:
    """What a person said of the time, or a clock of the board's own.

    Attributes:
        offset_s: UTC, POSIX seconds, at elapsed second 0.
        error_s: by how much it may be wrong, as was said, seconds.
        set_at_s: elapsed second at which it was said.
    """

    offset_s: float
    error_s: float
    set_at_s: float

    def estimate(self, elapsed_s: float, rate: Rate) -> Estimate:
        """The time at an elapsed second; what is not known of the crystal adds to the doubt."""
        passed_s = elapsed_s - self.set_at_s
        now = self.offset_s + elapsed_s + rate.mean * passed_s
        return Estimate(now=now, error_s=self.error_s + rate.error * abs(passed_s), by_hand=True)


@dataclass(frozen=True, kw_only=True)
class Contradiction:
    """The server contradicted what is believed, and has not told one time for long enough since.

    Attributes:
        since_s: elapsed second of the first sample of the time that it tells now.
        apart_s: how far from what is believed anything may be that it told since, seconds.
        rival: the time that it tells now; None if that is again what is believed.
    """

    since_s: float
    apart_s: float
    rival: Belief | None


@dataclass(frozen=True)
class ServerTime:
    """What this boot of the board knows of the server's time.

    Attributes:
        belief: the time that is followed.
        doubt: None while nothing contradicts it.
        by_hand: what a person said since the last sample; None for nothing.
        by_board: what a clock of the board's own said before the first sample; None for nothing.
    """

    belief: Belief = field(default_factory=Belief)
    doubt: Contradiction | None = None
    by_hand: HandTime | None = None
    by_board: HandTime | None = None

    @property
    def told(self) -> Belief:
        """The time that the server tells now."""
        return self.belief if self.doubt is None or self.doubt.rival is None else self.doubt.rival

    @property
    def sampled(self) -> bool:
        """Whether there are as many samples of the time that the server tells now as are looked at."""
        since_s = -math.inf if self.doubt is None else self.doubt.since_s
        return len(self.told.samples) == SAMPLES_KEPT and self.told.samples[0].taken_at_s >= since_s

    def set_by(self, word: HandTime) -> ServerTime:
        """With a person's word, until the server's next one."""
        return replace(self, by_hand=word)

    def after(self, sample: Sample) -> ServerTime:
        """With one more sample, which ends what a person said."""
        if not self.belief.samples:
            return ServerTime(self.belief.after(sample))
        if self.doubt is not None:
            return self._in_doubt(self.doubt, sample)
        if self.belief.agrees_with(sample):
            return ServerTime(self.belief.after(sample))
        apart_s = self.belief.apart_s(sample)
        doubt = Contradiction(since_s=sample.taken_at_s, apart_s=apart_s, rival=self.belief.stepped_to(sample))
        return ServerTime(self.belief, doubt)

    def _in_doubt(self, doubt: Contradiction, sample: Sample) -> ServerTime:
        belief, rival, since_s = self.belief, doubt.rival, doubt.since_s
        if rival is not None and rival.agrees_with(sample):
            rival = rival.after(sample)
        elif belief.agrees_with(sample):
            since_s = since_s if rival is None else sample.taken_at_s
            belief, rival = belief.after(sample), None
        else:  # a third time, or another than before: it may be the board's count that is worse than was assumed
            since_s = sample.taken_at_s
            rival = belief.stepped_to(sample) if rival is None else rival.disturbed_at(sample)
        apart_s = max(doubt.apart_s, self.belief.apart_s(sample))
        time = ServerTime(belief, Contradiction(since_s=since_s, apart_s=apart_s, rival=rival))
        if time.sampled and sample.taken_at_s - since_s >= PROBATION_S:
            return ServerTime(time.told)
        return time

    def estimate(self, elapsed_s: float) -> Estimate | None:
        """The server's time at an elapsed second; None before the first sample, where nobody else told it."""
        if self.by_hand is not None:
            return self.by_hand.estimate(elapsed_s, self.belief.crystal.rate)
        if not self.belief.samples:
            return self._by_own(elapsed_s)
        now, error_s = self.belief.reading(elapsed_s)
        if self.doubt is None:
            return Estimate(now=now, error_s=error_s)
        told, _ = self.told.reading(elapsed_s)
        return Estimate(now=now, error_s=error_s + self.doubt.apart_s, rival_now=told)

    def _by_own(self, elapsed_s: float) -> Estimate | None:
        if self.by_board is None:
            return None
        return replace(self.by_board.estimate(elapsed_s, self.belief.crystal.rate), by_hand=False, by_board=True)
