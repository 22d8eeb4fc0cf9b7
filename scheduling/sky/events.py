"""How each kind of event is found: one function a family, and the table that names them all."""

from __future__ import annotations

from collections.abc import Callable, Iterator, Mapping
from dataclasses import dataclass, field, replace
from functools import partial
from typing import Any

import numpy as np

from machines.errors import InputError
from scheduling.sky import cycles
from scheduling.sky.arrays import BoolArray, FloatArray
from scheduling.sky.bodies import Body, Sky
from scheduling.sky.crossings import distance_extrema, horizon_crossings
from scheduling.sky.eclipses import LunarEclipse, eclipses_at
from scheduling.sky.places import Place
from scheduling.sky.timescales import DAY_S, datetime_of
from scheduling.sky.topocentric import MOON_UP, SUN_UP, Horizon, horizontal_degrees

Details = Mapping[str, Any]
Happenings = Iterator[tuple[float, Details]]  # POSIX seconds and what else is known


class AlmanacError(InputError):
    """A question that the almanac cannot answer; ``field`` names what is wrong in it."""


@dataclass(frozen=True)
class Request:
    """A span of time, first to last (POSIX), and a place where the kind needs one.

    Rise and set of a body at one horizon are found together; ``crossings`` keeps them for the other kind.
    """

    sky: Sky
    first_at: float
    last_at: float
    place: Place | None
    crossings: dict[tuple[str, Horizon], tuple[FloatArray, BoolArray]] = field(default_factory=dict)

    def body(self, name: str) -> Body:
        """The Sun or the Moon."""
        return self.sky.sun if name == "sun" else self.sky.moon

    def at_place(self) -> Place:
        """The place, of which the almanac made sure."""
        if self.place is None:
            raise TypeError("this kind of event needs a place")
        return self.place

    def span_tt(self) -> tuple[float, float]:
        """First and last instant in TT."""
        first, last = self.sky.ephemeris.scales.tt_from_posix(np.array([self.first_at, self.last_at]))
        return float(first), float(last)


@dataclass(frozen=True)
class SkyEventKind:
    """A kind of event: how to find it (given the request and the options), and what must be given."""

    find: Callable[..., Happenings]
    needs_place: bool = False
    options: tuple[str, ...] = ()

    def check(self, options: Mapping[str, Any]) -> dict[str, float]:
        """The options as numbers; raises :class:`AlmanacError` where one is missing, unknown or out of range."""
        if set(options) != set(self.options):
            given = ", ".join(sorted(options)) or "nothing"
            wanted = " and ".join(self.options) or "no options"
            raise AlmanacError("options", f"{given} is not what this event takes", f"give {wanted}")
        return {name: _degrees(name, value, _MOST_DEGREES[name]) for name, value in options.items()}


_MOST_DEGREES = {"altitude_degrees": 90.0, "longitude": 180.0}


def _degrees(field: str, value: Any, most: float) -> float:
    if not isinstance(value, int | float) or isinstance(value, bool) or not -most <= value <= most:
        raise AlmanacError(field, f"{value!r} is no such angle", f"give degrees from {-most:g} to {most:g}")
    return float(value)


def _crossing(body: str, rising: bool, horizon: Horizon, request: Request) -> Happenings:
    """Rise or set of a body; says in which direction."""
    place = request.at_place()
    found = request.crossings.get((body, horizon))
    if found is None:
        found = horizon_crossings(request.sky, request.body(body), place, horizon, *request.span_tt())
        request.crossings[body, horizon] = found
    at, rises = found
    chosen = at[rises == rising]
    _, azimuth = horizontal_degrees(request.sky, request.body(body), place, chosen)
    posix = request.sky.ephemeris.scales.posix_from_tt(chosen)
    for instant, degrees in zip(posix.tolist(), azimuth.tolist(), strict=True):
        yield instant, {"azimuth_degrees": degrees}


def _at_altitude(body: str, rising: bool, request: Request, altitude_degrees: float) -> Happenings:
    """The centre of a body at an altitude, without refraction."""
    return _crossing(body, rising, Horizon(altitude_degrees), request)


def _phases(cycle: str, phase: float, request: Request) -> FloatArray:
    """The instants at which a cycle passes a phase."""
    counted = cycles.get(cycle)
    first, last = counted.turns([request.first_at, request.last_at])
    return counted.instants(np.arange(np.ceil(first - phase), np.floor(last - phase) + 1.0) + phase)


def _at_phase(cycle: str, phase: float, request: Request) -> Happenings:
    for instant in _phases(cycle, phase, request).tolist():
        yield instant, {}


def _over_meridian(cycle: str, request: Request, longitude: float) -> Happenings:
    """A body over a meridian, for the whole Earth at once."""
    for instant in _phases(cycle, (0.5 - longitude / 360.0) % 1.0, request).tolist():
        yield instant, {"longitude": longitude}


def _transit(body: str, cycle: str, half_turn: float, request: Request) -> Happenings:
    """A body over the meridian of the place, above (0) or below (half a turn) the pole; says how high."""
    place = request.at_place()
    posix = _phases(cycle, (0.5 - place.longitude_degrees / 360.0 + half_turn) % 1.0, request)
    tt = request.sky.ephemeris.scales.tt_from_posix(posix)
    altitude, _ = horizontal_degrees(request.sky, request.body(body), place, tt)
    for instant, degrees in zip(posix.tolist(), altitude.tolist(), strict=True):
        yield instant, {"altitude_degrees": degrees}


def _extremum(body: str, step_days: float, nearest: bool, request: Request) -> Happenings:
    """A body nearest or farthest from the Earth's centre; says how far."""
    at, is_nearest = distance_extrema(request.sky, request.body(body), step_days * DAY_S, *request.span_tt())
    chosen = at[is_nearest == nearest]
    posix = request.sky.ephemeris.scales.posix_from_tt(chosen)
    distance = request.body(body).distance_km(chosen)
    for instant, km in zip(posix.tolist(), distance.tolist(), strict=True):
        yield instant, {"distance_km": km}


def _lunar_eclipse(request: Request) -> Happenings:
    margin = DAY_S / 8.0  # from full Moon to greatest eclipse
    ends = request.sky.ephemeris
    first, last = request.span_tt()
    wider = replace(
        request,
        first_at=_posix(request.sky, max(first - margin, ends.first_tt)),
        last_at=_posix(request.sky, min(last + margin, ends.last_tt)),
    )
    full_moons = ends.scales.tt_from_posix(_phases("synodic-month", 0.5, wider))
    for eclipse in eclipses_at(request.sky, full_moons):
        yield _posix(request.sky, eclipse.greatest_tt), _eclipse_details(request.sky, eclipse)


def _eclipse_details(sky: Sky, eclipse: LunarEclipse) -> Details:
    stages = {"penumbral": eclipse.penumbral, "partial": eclipse.partial, "total": eclipse.total}
    contacts = {
        f"{stage}_{end}": datetime_of(_posix(sky, tt))
        for stage, ends in stages.items()
        if ends is not None
        for end, tt in zip(("begins", "ends"), ends, strict=True)
    }
    return {
        "type": eclipse.type,
        "umbral_magnitude": eclipse.umbral_magnitude,
        "penumbral_magnitude": eclipse.penumbral_magnitude,
        **contacts,
    }


def _posix(sky: Sky, tt: float) -> float:
    return float(sky.ephemeris.scales.posix_from_tt(tt))


def _sun(rising: bool, horizon: Horizon) -> SkyEventKind:
    return SkyEventKind(partial(_crossing, "sun", rising, horizon), needs_place=True)


def _moon(rising: bool) -> SkyEventKind:
    return SkyEventKind(partial(_crossing, "moon", rising, MOON_UP), needs_place=True)


def _altitude(body: str, rising: bool) -> SkyEventKind:
    return SkyEventKind(partial(_at_altitude, body, rising), needs_place=True, options=("altitude_degrees",))


def _overhead(body: str, cycle: str, half_turn: float = 0.0) -> SkyEventKind:
    return SkyEventKind(partial(_transit, body, cycle, half_turn), needs_place=True)


# Twilights: the centre of the Sun 6, 12 and 18 degrees below the horizon (US Naval Observatory, "Rise, Set, and
# Twilight Definitions").
SKY_EVENT_KINDS: Mapping[str, SkyEventKind] = {
    "sunrise": _sun(True, SUN_UP),
    "sunset": _sun(False, SUN_UP),
    "civil-dawn": _sun(True, Horizon(-6.0)),
    "civil-dusk": _sun(False, Horizon(-6.0)),
    "nautical-dawn": _sun(True, Horizon(-12.0)),
    "nautical-dusk": _sun(False, Horizon(-12.0)),
    "astronomical-dawn": _sun(True, Horizon(-18.0)),
    "astronomical-dusk": _sun(False, Horizon(-18.0)),
    "solar-noon": _overhead("sun", "apparent-solar-day"),
    "solar-midnight": _overhead("sun", "apparent-solar-day", half_turn=0.5),
    "moonrise": _moon(True),
    "moonset": _moon(False),
    "moon-transit": _overhead("moon", "lunar-day"),
    "sun-rising": _altitude("sun", True),
    "sun-setting": _altitude("sun", False),
    "moon-rising": _altitude("moon", True),
    "moon-setting": _altitude("moon", False),
    "sun-over-meridian": SkyEventKind(partial(_over_meridian, "apparent-solar-day"), options=("longitude",)),
    "moon-over-meridian": SkyEventKind(partial(_over_meridian, "lunar-day"), options=("longitude",)),
    "march-equinox": SkyEventKind(partial(_at_phase, "tropical-year", 0.0)),
    "june-solstice": SkyEventKind(partial(_at_phase, "tropical-year", 0.25)),
    "september-equinox": SkyEventKind(partial(_at_phase, "tropical-year", 0.5)),
    "december-solstice": SkyEventKind(partial(_at_phase, "tropical-year", 0.75)),
    "new-moon": SkyEventKind(partial(_at_phase, "synodic-month", 0.0)),
    "first-quarter": SkyEventKind(partial(_at_phase, "synodic-month", 0.25)),
    "full-moon": SkyEventKind(partial(_at_phase, "synodic-month", 0.5)),
    "last-quarter": SkyEventKind(partial(_at_phase, "synodic-month", 0.75)),
    "perihelion": SkyEventKind(partial(_extremum, "sun", 8.0, True)),
    "aphelion": SkyEventKind(partial(_extremum, "sun", 8.0, False)),
    "perigee": SkyEventKind(partial(_extremum, "moon", 2.0, True)),
    "apogee": SkyEventKind(partial(_extremum, "moon", 2.0, False)),
    "lunar-eclipse": SkyEventKind(_lunar_eclipse),
}
