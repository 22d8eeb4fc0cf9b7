"""How fast the paper of a run moves, on average: a burst, a strip and an hour."""

from __future__ import annotations

from dataclasses import dataclass

from machines.model.profile import Profile
from scheduling.log.models import Run


@dataclass(frozen=True)
class RunPace:
    """A run on its machine, by the mean turn of its cycle.

    Attributes:
        burst_s: from one burst to the next, seconds.
        step_mm: by which a burst moves the paper.
        mm_per_hour: of paper.
        strip_s: from one cut to the next, seconds; None where the run is not cut.
    """

    burst_s: float
    step_mm: float
    mm_per_hour: float
    strip_s: float | None


def pace_of(run: Run, profile: Profile) -> RunPace:
    """How fast the paper of a run moves."""
    return RunPace(
        burst_s=run.mean_turn_s * profile.columns_per_burst / profile.columns_per_turn,
        step_mm=profile.column_pitch_mm * profile.columns_per_burst,
        mm_per_hour=profile.mm_per_turn * 3600.0 / run.mean_turn_s,
        strip_s=run.mean_turn_s / run.strips_per_turn if run.strips_per_turn else None,
    )
