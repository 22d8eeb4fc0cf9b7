"""Stars of a catalogue at a date: what precession and nutation make of their coordinates."""

from __future__ import annotations

from datetime import datetime

import numpy as np
import numpy.typing as npt

from scheduling.sky import ephemeris
from scheduling.sky.arrays import FloatArray, finite_array
from scheduling.sky.timescales import posix_of
from scheduling.sky.vectors import direction


def precess(
    right_ascension_degrees: npt.ArrayLike, declination_degrees: npt.ArrayLike, at: datetime | float
) -> tuple[FloatArray, FloatArray]:
    """Right ascension (0 to 360) and declination in degrees of date, from those of J2000.0 (ICRS), of many stars.

    Rotates into the true equator and equinox of ``at`` (an aware datetime or POSIX seconds): frame bias, IAU 2006
    precession and IAU 2000A nutation, so that the right ascension goes with apparent sidereal time. Aberration (20
    arcseconds) and the stars' own motions are left out.

    Raises EphemerisRangeError outside the ephemeris, ValueError for what is not a finite number.
    """
    posix = posix_of(at) if isinstance(at, datetime) else float(finite_array("at", at))
    loaded = ephemeris.load()
    tt = loaded.scales.tt_from_posix(posix)
    loaded.check_tt(tt)
    ascension = np.radians(finite_array("right_ascension_degrees", right_ascension_degrees))
    declination = np.radians(finite_array("declination_degrees", declination_degrees))
    x, y, z = np.tensordot(loaded.time(tt).M, direction(ascension, declination), axes=1)
    return np.degrees(np.arctan2(y, x)) % 360.0, np.degrees(np.arctan2(z, np.hypot(x, y)))
