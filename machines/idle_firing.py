"""Firing idle nozzles into the waste, so that their ink does not dry: which nozzles, and when.

A nozzle that has just set a dot is open. One that has set none for longer than its ink stays wet fires its drops
before the next feed step begins.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from machines.head import HeadPlan
from machines.profile import IdleFiring


def fires_by_step(plan: HeadPlan) -> NDArray[np.bool_]:
    """Whether each nozzle sets any dot at each feed step of a plan, shape (steps, nozzles)."""
    return np.array([plan.fired(step).any(axis=1) for step in plan.steps])


def idle_drops(
    fires: NDArray[np.bool_], step_s: float, idle: IdleFiring, idle_before_s: NDArray[np.float64] | None = None
) -> tuple[NDArray[np.int64], NDArray[np.float64]]:
    """Drops that each nozzle fires into the waste before each feed step.

    Args:
        fires: whether a nozzle sets a dot at a step, shape (steps, nozzles).
        step_s: seconds from one step to the next.
        idle: how many drops, and how long a nozzle stays open.
        idle_before_s: for how long each nozzle has been idle at the first step; None where all have just been opened.

    Returns:
        Drops of shape (steps, nozzles), and how long each nozzle has been idle after the last step, for the next
        segment.
    """
    drops = np.zeros(fires.shape, dtype=np.int64)
    idle_s = np.zeros(fires.shape[1]) if idle_before_s is None else idle_before_s.copy()
    for step, sets_dots in enumerate(fires):
        due = idle_s + step_s > idle.every_s
        drops[step, due] = idle.drops
        idle_s = np.where(due, 0.0, idle_s)
        idle_s = np.where(sets_dots, 0.0, idle_s + step_s)
    return drops, idle_s
