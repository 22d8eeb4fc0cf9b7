"""How fast a model of machine prints by each cycle, and how far a roll of its paper goes, before there is a run."""

from __future__ import annotations

from dataclasses import dataclass

from machines.model.profile import Profile
from scheduling.sky import cycles

# From the shortest turn to the longest. Those of other days lie between the first two, and a period is one's own.
SHOWN_CYCLES = ("sidereal-day", "mean-solar-day", "lunar-day", "synodic-month", "tropical-year")
HOUR_S = 3600.0


@dataclass(frozen=True, kw_only=True)
class ModelPace:
    """A model on a cycle, by its mean turn.

    Attributes:
        cycle: its name.
        mm_per_hour: of paper.
        burst_s: from one burst to the next, seconds.
        roll_turns: how many turns a new roll holds.
        roll_s: how long that is, seconds.
        knife_s: from the head to the knife, seconds; None without a knife.
        gain: how often the fastest that the machine prints is the speed of the cycle; below 1 it cannot follow.
        catch_up_s: how long it prints late until what an hour missed is on paper, seconds; None where it never is.
    """

    cycle: str
    mm_per_hour: float
    burst_s: float
    roll_turns: float
    roll_s: float
    knife_s: float | None
    gain: float
    catch_up_s: float | None


def pace_of_model(profile: Profile, cycle: str) -> ModelPace:
    """How a model goes by a cycle that needs no place and no epoch."""
    turn_s = cycles.get(cycle).mean_turn_s
    mm_per_hour = profile.mm_per_turn / turn_s * HOUR_S
    roll_turns = profile.media.roll_m * 1000.0 / profile.mm_per_turn
    gain = profile.highest_mm_per_hour / mm_per_hour
    return ModelPace(
        cycle=cycle,
        mm_per_hour=mm_per_hour,
        burst_s=turn_s * profile.columns_per_burst / profile.columns_per_turn,
        roll_turns=roll_turns,
        roll_s=roll_turns * turn_s,
        knife_s=None if profile.knife is None else profile.knife.head_to_knife_mm / mm_per_hour * HOUR_S,
        gain=gain,
        catch_up_s=HOUR_S / (gain - 1.0) if gain > 1.0 else None,
    )
