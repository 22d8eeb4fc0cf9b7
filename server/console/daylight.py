"""The Sun over a venue in the course of its local day."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import datetime, timedelta
from functools import lru_cache
from typing import Literal

from scheduling.sky import almanac
from scheduling.sky.civil import day_bounds
from scheduling.sky.places import Place
from scheduling.sky.zones import zone as zone_of

Light = Literal["day", "twilight", "night"]

AFTER: dict[str, Light] = {"sunrise": "day", "sunset": "twilight", "civil-dusk": "night", "civil-dawn": "twilight"}
# Where the Sun's centre stands when its upper limb is on the horizon, and at the end of civil twilight, degrees.
HORIZON_DEGREES, CIVIL_DEGREES = -50.0 / 60.0, -6.0
LOOK_BACK, LOOK_AHEAD = timedelta(days=1), timedelta(days=2)


@dataclass(frozen=True)
class LightOfDay:
    """A part of the day in one light; instants are UTC."""

    light: Light
    begins: datetime
    ends: datetime


@dataclass(frozen=True)
class Daylight:
    """A local day from midnight to midnight.

    Attributes:
        begins, ends: its instants; a day on which clocks change has 23 or 25 hours.
        stretches: the day's light, in order, without holes.
        turns: sunrises and sunsets from the day's beginning to the end of the day after, in order.
    """

    begins: datetime
    ends: datetime
    stretches: tuple[LightOfDay, ...]
    turns: tuple[tuple[datetime, str], ...]

    def light(self, at: datetime) -> Light:
        """The light at an instant of the day."""
        return next(stretch.light for stretch in reversed(self.stretches) if stretch.begins <= at)

    def next_turn(self, after: datetime) -> tuple[datetime, str] | None:
        """The next sunrise or sunset; None where the Sun keeps up or down for longer than a day."""
        return next((turn for turn in self.turns if turn[0] > after), None)


def daylight(place: Place, zone: str, at: datetime) -> Daylight:
    """The local day that holds an instant."""
    there = zone_of(zone)
    return _daylight(place, *day_bounds(at.astimezone(there).date(), there))


@lru_cache(maxsize=256)
def _daylight(place: Place, begins: datetime, ends: datetime) -> Daylight:
    found = almanac.calendar(begins - LOOK_BACK, begins + LOOK_AHEAD, place, AFTER)
    light = next((AFTER[event.kind] for event in reversed(found) if event.at <= begins), None)
    stretches, since = [], begins
    light = light or _without_events(place, begins)
    for event in found:
        if begins < event.at < ends:
            stretches.append(LightOfDay(light, since, event.at))
            light, since = AFTER[event.kind], event.at
    stretches.append(LightOfDay(light, since, ends))
    turns = tuple((event.at, event.kind) for event in found if event.kind in ("sunrise", "sunset"))
    return Daylight(begins, ends, tuple(stretches), turns)


def _without_events(place: Place, begins: datetime) -> Light:
    """The light where nothing has changed for a day: that of any instant, so that of the noon before."""
    noon = almanac.find("solar-noon", begins - LOOK_BACK, begins + LOOK_AHEAD, place)[0]
    altitude = noon.details["altitude_degrees"]
    return "day" if altitude > HORIZON_DEGREES else "twilight" if altitude > CIVIL_DEGREES else "night"
