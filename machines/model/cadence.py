"""The quantum of a machine's cadence: a burst, as people are told of it."""

from __future__ import annotations

from dataclasses import dataclass

from machines.model.profile import Profile


@dataclass(frozen=True, kw_only=True)
class Quantum:
    """What is laid in one burst. Everything in it is printed at once, so no instant on paper is truer than this.

    Attributes:
        columns: in a burst.
        mm: of paper.
        minutes: of the cycle, taking its turns to be of equal length.
        degrees: of the turn; of longitude on a map that follows the Sun.
    """

    columns: int
    mm: float
    minutes: float
    degrees: float

    def in_words(self) -> str:
        """Such as ``printed 30 minutes (7.5 degrees, 10 mm) at a time``."""
        if self.minutes < 2.0:
            time = f"{self.minutes * 60:.3g} seconds"
        elif self.minutes < 120.0:
            time = f"{self.minutes:.3g} minutes"
        else:
            time = f"{self.minutes / 60:.3g} hours"
        return f"printed {time} ({self.degrees:.3g} degrees, {self.mm:.3g} mm) at a time"


def quantum(profile: Profile, turn_seconds: float) -> Quantum:
    """The quantum of a machine whose cycle turns once in ``turn_seconds``."""
    share = profile.columns_per_burst / profile.columns_per_turn
    return Quantum(
        columns=profile.columns_per_burst,
        mm=share * profile.mm_per_turn,
        minutes=share * turn_seconds / 60.0,
        degrees=share * 360.0,
    )
