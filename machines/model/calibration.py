"""What was measured of one machine after it was set up, as its model's profile cannot know it."""

from __future__ import annotations

from dataclasses import dataclass, replace
from itertools import pairwise

from machines.errors import InputError
from machines.model.profile import LENGTH_LIMIT_MM, CarriageHead, Profile

# A feed that is further off than this has another roller, or another gear, than the profile says.
LEAST_FEED_FACTOR, LARGEST_FEED_FACTOR = 0.8, 1.25


@dataclass(frozen=True, kw_only=True)
class Calibration:
    """Of one machine; as it comes, it measures nothing but what the profile says.

    Attributes:
        feed_factor: measured length over ordered length of the printed ruler. A machine of 0.995 feeds too little and
            is ordered 1 / 0.995 times as much.
        dead_nozzles: numbers of the nozzles that the test pattern showed to be dead, increasing; they are left out.
        head_to_knife_mm: measured from the head's first nozzle to the blade; None for what the profile says.
    """

    feed_factor: float = 1.0
    dead_nozzles: tuple[int, ...] = ()
    head_to_knife_mm: float | None = None

    def __post_init__(self) -> None:
        if not LEAST_FEED_FACTOR <= self.feed_factor <= LARGEST_FEED_FACTOR:
            raise InputError(
                "feed_factor",
                f"{self.feed_factor} is no factor of a feed that is set up right",
                f"give measured over ordered length, {LEAST_FEED_FACTOR} to {LARGEST_FEED_FACTOR}; beyond it correct"
                " the profile or the machine's steps per millimetre",
            )
        if any(nozzle < 0 for nozzle in self.dead_nozzles) or any(b <= a for a, b in pairwise(self.dead_nozzles)):
            problem = f"{list(self.dead_nozzles)} are not increasing numbers of nozzles"
            raise InputError("dead_nozzles", problem, "give each dead nozzle once, in order, counted from 0")
        knife_mm = self.head_to_knife_mm
        if knife_mm is not None and not 0 <= knife_mm < LENGTH_LIMIT_MM:
            raise InputError("head_to_knife_mm", f"{knife_mm} mm", f"give 0 to {LENGTH_LIMIT_MM:.0f} mm")

    def check(self, profile: Profile) -> None:
        """Whether a machine of this profile can have it.

        Raises:
            InputError: a nozzle or a knife that it does not have, or too few nozzles left for its passes.
        """
        if self.head_to_knife_mm is not None and profile.knife is None:
            raise InputError("head_to_knife_mm", "this machine has no knife", "leave it out")
        if self.dead_nozzles:
            _check_nozzles(self.dead_nozzles, profile)

    def applied_to(self, profile: Profile) -> Profile:
        """The profile with the knife where it was measured."""
        if self.head_to_knife_mm is None or profile.knife is None:
            return profile
        return replace(profile, knife=replace(profile.knife, head_to_knife_mm=self.head_to_knife_mm))


# Of a machine of which nothing was measured.
UNCALIBRATED = Calibration()


def _check_nozzles(dead: tuple[int, ...], profile: Profile) -> None:
    head = profile.head
    if not isinstance(head, CarriageHead):
        raise InputError("dead_nozzles", "a line head has no nozzles to choose from", "leave them out")
    if dead[-1] >= head.nozzles:
        remedy = f"the nozzles are 0 to {head.nozzles - 1}"
        raise InputError("dead_nozzles", f"there is no nozzle {dead[-1]}", remedy)
    if head.nozzles - len(dead) < head.passes:
        problem = f"{head.nozzles - len(dead)} nozzles are left for {head.passes} passes"
        raise InputError("dead_nozzles", problem, "change the cartridge, then print the test pattern again")
