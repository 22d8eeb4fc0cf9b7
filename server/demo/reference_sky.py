"""The sky straight from skyfield, one call an instant: the judge of what the product's own sampled cycles said."""

from __future__ import annotations

from functools import cache
from importlib import resources
from typing import Any

import numpy as np
from numpy.typing import NDArray
from skyfield.api import Loader

from machines.clock import utc
from scheduling.sky import cycles


@cache
def _skyfield() -> tuple[Any, Any]:
    files = Loader(str(resources.files("skyfield_data") / "data"), verbose=False)
    return files("de421.bsp"), files.timescale(builtin=False)


def _hour_angle_turns(body: str, time: Any) -> NDArray[np.float64]:
    """Greenwich hour angle of a body's apparent place, in turns."""
    kernel, _ = _skyfield()
    right_ascension, _, _ = kernel["earth"].at(time).observe(kernel[body]).apparent().radec("date")
    return np.asarray((time.gast - right_ascension.hours) / 24.0)


def direct_turns(cycle: str, posix: NDArray[np.float64]) -> NDArray[np.float64]:
    """The count of turns of a cycle at POSIX instants: its fraction from skyfield, its whole part from ours."""
    _, timescale = _skyfield()
    time = timescale.from_datetimes([utc(instant) for instant in posix])
    phase = {
        "apparent-solar-day": lambda: _hour_angle_turns("sun", time) + 0.5,
        "lunar-day": lambda: _hour_angle_turns("moon", time) + 0.5,
        "sidereal-day": lambda: np.asarray(time.gast) / 24.0,
    }[cycle]()
    return phase + np.round(cycles.get(cycle).turns(posix) - phase)
