"""Where the picture lies on the paper, by measurement: how far the paper has slipped, and how that is put right.

Position is ordered absolutely; an encoder on the paper says where it came to be. Slip is measured minus ordered: below
0 the paper lags behind and the picture comes out too short. What is put right goes on by less than a column at a time,
between bursts, where the picture is blank on both sides, and never back: paper that lags is fed a little more, paper
that is ahead a little less.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Literal

import numpy as np
from numpy.typing import NDArray

from machines.model.profile import Profile

# The most that is put right in one place, in columns: too little for an eye to find, even beside dots.
LARGEST_STEP_COLUMNS = 0.25
# Columns on each side of the place that must be blank.
BLANK_COLUMNS = 2


@dataclass(frozen=True, kw_only=True)
class Slip:
    """How far the paper is from where it was ordered; below 0 it lags behind.

    Attributes:
        mm: of paper.
        seconds: of the run, at the nominal feed rate.
        degrees: of the turn; of longitude on a map that follows the Sun.
    """

    mm: float
    seconds: float
    degrees: float

    @classmethod
    def of_mm(cls, mm: float, profile: Profile, mean_turn_s: float) -> Slip:
        """A length of paper as time and angle, by the mean turn: mm / (mm a turn / seconds a turn), and of 360."""
        turns = mm / profile.mm_per_turn
        return cls(mm=mm, seconds=turns * mean_turn_s, degrees=turns * 360.0)

    def in_words(self) -> str:
        """Such as ``0.60 mm behind (86 s, 0.36 degrees)``."""
        where = "behind" if self.mm < 0 else "ahead"
        return f"{abs(self.mm):.2f} mm {where} ({abs(self.seconds):.0f} s, {abs(self.degrees):.2f} degrees)"


@dataclass(frozen=True, kw_only=True)
class SlipState:
    """What is known of a paper's slip from one look to the next.

    Attributes:
        zero_mm: measured minus ordered where it counts as none; None where the next look takes it, as for a new roll.
        said_mm: the slip that was last reported; 0 while it is within the threshold.
        corrected_mm: put right since that was last reported, further on positive.
    """

    zero_mm: float | None = None
    said_mm: float = 0.0
    corrected_mm: float = 0.0


def difference_mm(feed: Feed, profile: Profile) -> float:
    """Measured minus ordered place of the paper, before any zero is taken from it."""
    return feed.measured_mm - feed.place * profile.column_pitch_mm


def step_mm(profile: Profile) -> float:
    """What is put right in one place, and with it the least slip that is: no less than the encoder can see."""
    return LARGEST_STEP_COLUMNS * profile.column_pitch_mm


def least_mm(profile: Profile) -> float:
    """A slip below this is left alone: a step would not make it less, or the encoder cannot tell."""
    return max(step_mm(profile), profile.encoder_pitch_mm or 0.0)


def correction_mm(slip_mm: float, profile: Profile, near: NDArray[np.bool_] | None) -> float:
    """What to put right before the next burst, further on positive; 0 for nothing.

    Args:
        slip_mm: the slip now.
        profile: of the machine.
        near: the dots of the columns on both sides of the place; None where they are not known.
    """
    if abs(slip_mm) < least_mm(profile) or near is None or near.any():
        return 0.0
    return -math.copysign(step_mm(profile), slip_mm)


def slip_report(slip_mm: float, track: SlipState, profile: Profile) -> Literal["slipped", "corrected"] | None:
    """What is to be reported of a slip, if anything.

    ``slipped`` when it is first beyond the threshold, and again whenever it has changed by as much; ``corrected`` when
    it is made good as far as it can be, and it was reported, or as much as the threshold has been put right unreported.
    """
    threshold = profile.slip_threshold_mm
    if abs(slip_mm) <= least_mm(profile):
        was_said = track.said_mm != 0.0 or abs(track.corrected_mm) >= threshold
        return "corrected" if was_said else None
    if abs(slip_mm) >= threshold and abs(slip_mm - track.said_mm) >= threshold:
        return "slipped"
    return None


@dataclass(frozen=True, kw_only=True)
class Feed:
    """Where the paper stands, by order and by measurement, at one moment.

    Attributes:
        place: under the head's first nozzle as it was ordered, in columns of paper since the first.
        measured_mm: the paper that an encoder on it has counted since place 0, millimetres.
    """

    place: int
    measured_mm: float
