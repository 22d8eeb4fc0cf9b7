"""Sun and Moon as seen from a place: altitude, azimuth, and how fast the altitude changes.

Vectors are in the frame of the local meridian, which turns with the Earth: x in the equator toward the
meridian of the place, y in the equator to the east, z to the north pole of date. The observer stands on the WGS 84
ellipsoid. Diurnal aberration is applied; polar motion (0.3 arcseconds at most) is not, and the light of the Moon is
that which reaches the Earth's centre (0.2 arcseconds at most). Nor is refraction: altitudes here are those of a body
without an atmosphere, and a horizon says where to place the limb.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from scheduling.sky.arrays import FloatArray
from scheduling.sky.bodies import DECLINATION, DISTANCE, ERA_RATE, RIGHT_ASCENSION, Body, Sky
from scheduling.sky.places import Place
from scheduling.sky.vectors import TAU, length

EQUATORIAL_RADIUS_KM = 6378.137  # WGS 84
FLATTENING = 1.0 / 298.257223563  # WGS 84
SPEED_OF_LIGHT_KM_S = 299_792.458


@dataclass(frozen=True)
class Observer:
    """A place, ready for use: its meridian in turns, its zenith, its distance from axis and equator in km."""

    meridian_turns: float
    zenith: FloatArray
    from_axis_km: float
    from_equator_km: float

    @property
    def eastward_km_s(self) -> float:
        """The speed of the ground to the east."""
        return TAU * ERA_RATE * self.from_axis_km


def observer(place: Place) -> Observer:
    """The observer at ``place``; geodetic to geocentric as in the Explanatory Supplement (2013), section 7.4."""
    latitude = np.radians(place.latitude_degrees)
    sine, cosine = np.sin(latitude), np.cos(latitude)
    curvature = EQUATORIAL_RADIUS_KM / np.hypot(cosine, (1.0 - FLATTENING) * sine)
    elevation_km = place.elevation_m / 1000.0
    return Observer(
        meridian_turns=place.longitude_degrees / 360.0,
        zenith=np.array([cosine, 0.0, sine]),
        from_axis_km=(curvature + elevation_km) * cosine,
        from_equator_km=((1.0 - FLATTENING) ** 2 * curvature + elevation_km) * sine,
    )


def vector(sky: Sky, body: Body, place: Place, tt: FloatArray) -> FloatArray:
    """The vector in km (3, n) from the place to the body at TT, in the frame of the local meridian."""
    position, _ = vector_and_rate(sky, body, place, tt)
    return position


def vector_and_rate(sky: Sky, body: Body, place: Place, tt: FloatArray) -> tuple[FloatArray, FloatArray]:
    """The vector as :func:`vector` gives it, and its rate in km/s."""
    seen_by = observer(place)
    components = (RIGHT_ASCENSION, DECLINATION, DISTANCE)
    (ascension, dec, distance), (ascension_rate, dec_rate, distance_rate) = body.equatorial.values_and_rates(
        tt, components
    )
    hour_angle = TAU * (sky.earth_rotation(tt) - body.mean.turns(tt) - ascension + seen_by.meridian_turns)
    hour_angle_rate = TAU * (ERA_RATE - body.mean.rate - ascension_rate)
    dec, dec_rate = TAU * dec, TAU * dec_rate

    axis, equator = distance * np.cos(dec), distance * np.sin(dec)
    axis_rate = distance_rate * np.cos(dec) - equator * dec_rate
    equator_rate = distance_rate * np.sin(dec) + axis * dec_rate
    cosine, sine = np.cos(hour_angle), np.sin(hour_angle)
    aberration = distance * (seen_by.eastward_km_s / SPEED_OF_LIGHT_KM_S)
    position = np.array(
        [axis * cosine - seen_by.from_axis_km, aberration - axis * sine, equator - seen_by.from_equator_km]
    )
    rate = np.array(
        [
            axis_rate * cosine - axis * sine * hour_angle_rate,
            -axis_rate * sine - axis * cosine * hour_angle_rate,
            equator_rate,
        ]
    )
    return position, rate


def horizontal_degrees(sky: Sky, body: Body, place: Place, tt: FloatArray) -> tuple[FloatArray, FloatArray]:
    """Altitude of the centre and azimuth (from north through east, 0 to 360) in degrees, without refraction."""
    position = vector(sky, body, place, tt)
    up_x, _, up_z = observer(place).zenith
    up = up_x * position[0] + up_z * position[2]
    north = up_x * position[2] - up_z * position[0]
    altitude = np.degrees(np.arctan2(up, np.hypot(north, position[1])))
    return altitude, np.degrees(np.arctan2(position[1], north)) % 360.0


@dataclass(frozen=True)
class Horizon:
    """What counts as up: the altitude in degrees, without refraction, that the limb of a body must pass.

    ``radius_km`` is the body's radius when its upper limb counts, and 0 when its centre does.
    """

    altitude_degrees: float
    radius_km: float = 0.0


# The convention of printed almanacs (US Naval Observatory, "Rise, Set, and Twilight Definitions"): the upper limb,
# 34 arcminutes of refraction at a level horizon; for the Sun a fixed 16 arcminutes of semidiameter.
SUN_UP = Horizon(-50.0 / 60.0)
MOON_UP = Horizon(-34.0 / 60.0, radius_km=1737.4)


def height_degrees(
    sky: Sky, body: Body, place: Place, horizon: Horizon, tt: FloatArray
) -> tuple[FloatArray, FloatArray]:
    """How far the body stands above the horizon, in degrees, and the rate of that in degrees a second."""
    position, rate = vector_and_rate(sky, body, place, tt)
    zenith = observer(place).zenith
    distance = length(position)
    distance_rate = (position * rate).sum(axis=0) / distance
    sine = zenith @ position / distance
    cosine = np.sqrt(np.maximum(1.0 - sine**2, 1e-18))  # at the very zenith the rate has no sign: keep it finite
    altitude_rate = (zenith @ rate - sine * distance_rate) / (distance * cosine)
    semidiameter = np.arcsin(horizon.radius_km / distance)
    height = np.degrees(np.arcsin(np.clip(sine, -1.0, 1.0)) + semidiameter) - horizon.altitude_degrees
    return height, np.degrees(altitude_rate - np.tan(semidiameter) * distance_rate / distance)
