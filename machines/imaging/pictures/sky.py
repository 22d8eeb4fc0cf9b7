"""The numbers of one turn that a picture may need. The server computes them; a picture only draws."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import datetime
from typing import Any

import numpy as np
from numpy.typing import NDArray

from machines.errors import InputError


@dataclass(frozen=True, kw_only=True, eq=False)
class SkyNumbers:
    """What the sky is at one turn; None where nobody has computed it.

    Attributes:
        instant: the instant that the numbers are for.
        moon_lit_fraction: share of the Moon's disc that is lit, 0 new to 1 full.
        moon_limb_angle_degrees: where the middle of the bright limb stands, counterclockwise from up as an observer
            of the sky sees it. Up is north for the position angle of the almanacs (north through east is
            counterclockwise, as east is at the left in the sky), or the zenith for the tilt as seen from a venue.
        moon_age_days: days since new Moon.
        subsolar_latitude_degrees, subsolar_longitude_degrees: the place that has the Sun overhead at the instant.
        sun_declination_degrees, equation_of_time_minutes: the Sun's through the turn, float64 arrays sampled at equal
            steps of phase, the first at phase 0; apparent minus mean time.
        obliquity_degrees: of the ecliptic, of date.
        moon_ra_degrees, moon_dec_degrees: the Moon's places through the turn, in order of time; right ascension may
            jump from 360 to 0.
        star_ra_degrees, star_dec_degrees: apparent places of date, float64 arrays of equal length.
        star_magnitude: V magnitudes of the same stars.
    """

    instant: datetime | None = None
    moon_lit_fraction: float | None = None
    moon_limb_angle_degrees: float | None = None
    moon_age_days: float | None = None
    subsolar_latitude_degrees: float | None = None
    subsolar_longitude_degrees: float | None = None
    sun_declination_degrees: NDArray[np.float64] | None = None
    equation_of_time_minutes: NDArray[np.float64] | None = None
    obliquity_degrees: float | None = None
    moon_ra_degrees: NDArray[np.float64] | None = None
    moon_dec_degrees: NDArray[np.float64] | None = None
    star_ra_degrees: NDArray[np.float64] | None = None
    star_dec_degrees: NDArray[np.float64] | None = None
    star_magnitude: NDArray[np.float64] | None = None

    def need(self, name: str) -> Any:
        """One of the numbers.

        Raises:
            InputError: the turn was given without it.
        """
        value = getattr(self, name)
        if value is None:
            raise InputError(
                f"sky.{name}", "missing", "this picture cannot be drawn without it: compute it for the turn"
            )
        return value
