from __future__ import annotations

from collections.abc import Callable
from datetime import UTC, datetime, timedelta, timezone
from itertools import pairwise
from typing import Any

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from machines.errors import InputError
from scheduling.sky import almanac
from scheduling.sky.almanac import SKY_EVENT_KINDS, AlmanacError, SkyEvent
from scheduling.sky.bodies import sky
from scheduling.sky.ephemeris import EphemerisRangeError
from scheduling.sky.places import Place
from scheduling.sky.timescales import posix_of
from scheduling.sky.topocentric import MOON_UP, SUN_UP, Horizon, height_degrees, horizontal_degrees

LISBON, TROMSO = Place(38.72, -9.14, 20.0), Place(69.65, 18.96)
START, END = datetime(2026, 1, 1, tzinfo=UTC), datetime(2027, 1, 1, tzinfo=UTC)
DAY = timedelta(days=1)
OPTIONS: dict[str, dict[str, float]] = {
    "sun-rising": {"altitude_degrees": 6.0},
    "sun-setting": {"altitude_degrees": 6.0},
    "moon-rising": {"altitude_degrees": 10.0},
    "moon-setting": {"altitude_degrees": 10.0},
    "sun-over-meridian": {"longitude": 20.0},
    "moon-over-meridian": {"longitude": -176.0},
}
CROSSINGS = {
    "sunrise": ("sun", SUN_UP, True),
    "sunset": ("sun", SUN_UP, False),
    "civil-dawn": ("sun", Horizon(-6.0), True),
    "nautical-dusk": ("sun", Horizon(-12.0), False),
    "astronomical-dawn": ("sun", Horizon(-18.0), True),
    "moonrise": ("moon", MOON_UP, True),
    "moonset": ("moon", MOON_UP, False),
    "sun-rising": ("sun", Horizon(6.0), True),
    "moon-setting": ("moon", Horizon(10.0), False),
}


def find(kind: str, start: datetime = START, end: datetime = END, place: Place = LISBON) -> list[SkyEvent]:
    return almanac.find(kind, start, end, place, **OPTIONS.get(kind, {}))


def posix(events: list[SkyEvent]) -> np.ndarray:
    return np.array([posix_of(event.at) for event in events])


def height(place: Place, body: str, horizon: Horizon) -> Callable[[np.ndarray], np.ndarray]:
    over = sky()
    return lambda at: height_degrees(
        over, getattr(over, body), place, horizon, over.ephemeris.scales.tt_from_posix(at)
    )[0]


def test_the_kinds_of_the_design() -> None:
    contract = """sunrise sunset civil-dawn civil-dusk nautical-dawn nautical-dusk astronomical-dawn astronomical-dusk
        solar-noon solar-midnight sun-over-meridian moon-over-meridian march-equinox june-solstice september-equinox
        december-solstice new-moon first-quarter full-moon last-quarter moonrise moonset moon-transit perihelion
        aphelion perigee apogee lunar-eclipse"""
    assert set(contract.split()) <= set(SKY_EVENT_KINDS)
    assert set(SKY_EVENT_KINDS) - set(contract.split()) == {"sun-rising", "sun-setting", "moon-rising", "moon-setting"}


@pytest.mark.parametrize(
    ("kind", "count"),
    [
        ("sunrise", 365),
        ("sunset", 365),
        ("astronomical-dusk", 365),
        ("solar-noon", 365),
        ("solar-midnight", 365),
        ("sun-over-meridian", 365),
        ("moon-transit", 352),
        ("moon-over-meridian", 353),
        ("moonrise", 352),
        ("new-moon", 12),
        ("full-moon", 13),
        ("march-equinox", 1),
        ("perihelion", 1),
        ("aphelion", 1),
        ("perigee", 14),
        ("apogee", 13),
        ("lunar-eclipse", 2),
    ],
)
def test_how_many_there_are_in_a_year(kind: str, count: int) -> None:
    assert len(find(kind)) == count


@pytest.mark.parametrize("kind", SKY_EVENT_KINDS)
def test_events_come_in_order_in_utc_and_inside_the_span(kind: str) -> None:
    events = find(kind, START, START + 60 * DAY)
    assert [event.kind for event in events] == [kind] * len(events)
    instants = [event.at for event in events]
    assert instants == sorted(set(instants))
    assert all(START <= at < START + 60 * DAY and at.tzinfo is UTC for at in instants)


# Rise and set, against the height above the horizon itself.


@pytest.mark.parametrize("kind", CROSSINGS)
@pytest.mark.parametrize("place", [LISBON, TROMSO, Place(-89.9, 60.0), Place(0.0, -180.0)])
def test_at_a_crossing_the_body_stands_on_the_horizon(kind: str, place: Place) -> None:
    body, horizon, rising = CROSSINGS[kind]
    above, at = height(place, body, horizon), posix(find(kind, place=place))
    if len(at):
        assert above(at) == pytest.approx(0.0, abs=1e-7)
        assert ((above(at + 2.0) > above(at - 2.0)) == rising).all()


@pytest.mark.parametrize("kind", ["sunrise", "sunset", "moonrise", "moonset", "astronomical-dawn"])
@pytest.mark.parametrize(
    "place",
    [
        LISBON,
        TROMSO,
        Place(64.15, -21.94),
        Place(66.56, 0.0),
        Place(-67.6, 62.9),
        Place(84.0, -90.0),
        Place(89.5, 10.0),
        Place(90.0, 0.0),
        Place(-90.0, 0.0),
    ],
    ids=str,
)
def test_every_crossing_of_a_year_is_found_and_no_other(kind: str, place: Place) -> None:
    """Against the sign of the height every two minutes, which no body passes twice except in a grazing."""
    body, horizon, rising = CROSSINGS[kind]
    at = np.arange(posix_of(START), posix_of(END) + 1.0, 120.0)
    up = height(place, body, horizon)(at) >= 0.0
    steps = np.flatnonzero(up[1:] & ~up[:-1] if rising else ~up[1:] & up[:-1])
    found = posix(find(kind, place=place))
    between = np.searchsorted(found, at[steps + 1]) - np.searchsorted(found, at[steps])
    assert (between == 1).all()
    extra = len(found) - len(steps)
    assert 0 <= extra <= 2  # a poke of less than two minutes, which the steps do not see
    assert extra == 0 or place.latitude_degrees > 60.0


@settings(deadline=None, max_examples=40)
@given(
    latitude=st.floats(-90.0, 90.0), longitude=st.floats(-180.0, 180.0), day=st.integers(0, 50 * 365), up=st.booleans()
)
def test_rises_and_sets_take_turns(latitude: float, longitude: float, day: int, up: bool) -> None:
    start = datetime(2001, 1, 1, tzinfo=UTC) + day * DAY
    kinds = ("sunrise", "sunset") if up else ("moonrise", "moonset")
    events = almanac.calendar(start, start + 40 * DAY, Place(latitude, longitude), kinds)
    assert all(one.kind != other.kind for one, other in pairwise(events))


def test_the_direction_of_a_rise_is_that_of_the_body() -> None:
    for event in find("moonrise", START, START + 30 * DAY):
        tt = sky().ephemeris.scales.tt_from_posix(np.array([posix_of(event.at)]))
        _, azimuth = horizontal_degrees(sky(), sky().moon, LISBON, tt)
        assert event.details["azimuth_degrees"] == pytest.approx(azimuth[0], abs=1e-4)
        assert 40.0 < event.details["azimuth_degrees"] < 140.0


def test_elevation_moves_the_observer_but_not_the_horizon() -> None:
    low, high = (find("moonset", place=Place(46.5, 8.0, metres))[0].at for metres in (0.0, 4000.0))
    assert low != high
    assert abs(low - high) < timedelta(seconds=1)


# None that day.


@pytest.mark.parametrize("kind", ["sunrise", "sunset", "civil-dusk", "astronomical-dawn"])
def test_in_the_polar_day_there_is_none(kind: str) -> None:
    assert find(kind, datetime(2026, 6, 1, tzinfo=UTC), datetime(2026, 7, 1, tzinfo=UTC), TROMSO) == []


def test_in_the_polar_night_there_is_twilight_without_sunrise() -> None:
    start, end = datetime(2026, 12, 1, tzinfo=UTC), datetime(2027, 1, 1, tzinfo=UTC)
    assert find("sunrise", start, end, TROMSO) == []
    assert len(find("civil-dawn", start, end, TROMSO)) == len(find("civil-dusk", start, end, TROMSO)) == 31


def test_some_days_have_no_transit_of_the_moon() -> None:
    days = [START + index * DAY for index in range(365)]
    counts = [len(find("moon-transit", day, day + DAY)) for day in days]
    assert set(counts) == {0, 1}
    assert counts.count(0) == 13


def test_nearest_before_and_after() -> None:
    midsummer = datetime(2026, 6, 21, tzinfo=UTC)
    before, after = almanac.nearest("sunset", midsummer, TROMSO)
    assert before is not None
    assert after is not None
    assert (before.at.month, before.at.day, after.at.month, after.at.day) == (5, 17, 7, 25)
    assert almanac.nearest("sunset", midsummer, TROMSO, within=timedelta(days=10)) == (None, None)


def test_nearest_stops_at_the_ends_of_the_ephemeris() -> None:
    first, last = sky().ephemeris.span()
    assert almanac.nearest("sunset", first + DAY / 100, LISBON)[0] is None
    assert almanac.nearest("sunset", last, LISBON)[1] is None


# Spans.


@pytest.mark.parametrize(
    "kind", ["sunrise", "solar-noon", "new-moon", "perigee", "lunar-eclipse", "moon-over-meridian"]
)
def test_a_span_holds_its_start_and_not_its_end(kind: str) -> None:
    event = find(kind)[1]
    tiny = timedelta(microseconds=1)
    assert [each.at for each in find(kind, event.at, event.at + tiny)] == [event.at]
    assert find(kind, event.at - DAY / 2, event.at) == []


@settings(deadline=None, max_examples=15)
@given(st.lists(st.floats(0.0, 90.0), min_size=1, max_size=6))
def test_a_span_cut_in_parts_gives_the_same_events(cuts: list[float]) -> None:
    edges = [START, *sorted(START + cut * DAY for cut in cuts), START + 90 * DAY]
    for kind in ("sunset", "moonrise", "moon-transit", "full-moon", "apogee"):
        whole = posix(find(kind, edges[0], edges[-1]))
        parts = np.concatenate([posix(find(kind, a, b)) for a, b in pairwise(edges)])
        assert parts == pytest.approx(whole, abs=2e-5)


def test_an_empty_span_holds_nothing() -> None:
    assert find("sunrise", START, START) == []
    assert almanac.calendar(START, START, LISBON) == []


def test_any_zone_will_do() -> None:
    east = timezone(timedelta(hours=12.75))
    assert find("sunrise", START.astimezone(east), END.astimezone(east)) == find("sunrise")


# A whole calendar.


def test_a_calendar_holds_every_kind_that_takes_no_options() -> None:
    events = almanac.calendar(START, END, LISBON)
    assert {event.kind for event in events} == {name for name, kind in SKY_EVENT_KINDS.items() if not kind.options}
    assert [event.at for event in events] == sorted(event.at for event in events)


def test_a_calendar_without_a_place_holds_what_happens_to_the_whole_earth() -> None:
    events = almanac.calendar(START, END)
    assert {event.kind for event in events} == {
        name for name, kind in SKY_EVENT_KINDS.items() if not kind.options and not kind.needs_place
    }


def test_a_calendar_is_made_of_what_is_found_for_each_kind() -> None:
    kinds = ("sunset", "sunrise", "moonset", "full-moon")
    together = almanac.calendar(START, START + 40 * DAY, LISBON, kinds)
    each = [event for kind in kinds for event in find(kind, START, START + 40 * DAY)]
    assert sorted(each, key=lambda event: event.at) == together


# Relations between events.


def test_noon_lies_between_sunrise_and_sunset_at_the_greatest_altitude() -> None:
    for rise, noon, set_ in zip(find("sunrise"), find("solar-noon"), find("sunset"), strict=True):
        assert rise.at < noon.at < set_.at
        assert abs((set_.at - noon.at) - (noon.at - rise.at)) < timedelta(minutes=3)
    highest = max(find("solar-noon"), key=lambda event: event.details["altitude_degrees"])
    assert highest.details["altitude_degrees"] == pytest.approx(90.0 - LISBON.latitude_degrees + 23.436, abs=0.01)
    assert highest.at.date().isoformat() == "2026-06-21"


def test_over_the_meridian_of_a_place_is_its_noon() -> None:
    noons = find("solar-noon")
    over = almanac.find("sun-over-meridian", START, END, longitude=LISBON.longitude_degrees)
    assert [event.at for event in over] == [event.at for event in noons]
    assert {event.details["longitude"] for event in over} == {LISBON.longitude_degrees}


def test_the_sun_takes_a_day_round_the_earth() -> None:
    longitudes = [170.0, 90.0, 0.0, -90.0, -170.0]
    passed = [
        almanac.find("sun-over-meridian", START + DAY / 50, START + DAY, longitude=longitude)[0].at
        for longitude in longitudes
    ]
    assert passed == sorted(passed)


def test_the_sun_over_180_degrees_either_way() -> None:
    east, west = (almanac.find("sun-over-meridian", START, END, longitude=longitude) for longitude in (180.0, -180.0))
    assert posix(east) == pytest.approx(posix(west), abs=1e-5)


def test_eclipses_are_at_full_moon() -> None:
    full = posix(find("full-moon"))
    for eclipse in find("lunar-eclipse"):
        assert np.abs(full - posix_of(eclipse.at)).min() < 3600.0


def test_perigee_is_nearer_than_apogee() -> None:
    near = [event.details["distance_km"] for event in find("perigee")]
    far = [event.details["distance_km"] for event in find("apogee")]
    assert max(near) < 371_000 < 404_000 < min(far)


# JSON.


def test_an_event_in_json() -> None:
    event = find("sunset", datetime(2026, 6, 21, tzinfo=UTC))[0]
    assert event.to_json() == {
        "kind": "sunset",
        "at": event.at.isoformat(timespec="microseconds").replace("+00:00", "Z"),
        "azimuth_degrees": event.details["azimuth_degrees"],
    }


def test_the_contacts_of_an_eclipse_in_json() -> None:
    json = find("lunar-eclipse")[0].to_json()
    assert json["type"] == "total"
    stages = (
        "penumbral_begins",
        "partial_begins",
        "total_begins",
        "at",
        "total_ends",
        "partial_ends",
        "penumbral_ends",
    )
    instants = [json[stage] for stage in stages]
    assert all(isinstance(instant, str) and instant.endswith("Z") for instant in instants)
    assert instants == sorted(instants)


def test_events_can_be_kept_in_sets() -> None:
    events = find("sunset", START, START + 3 * DAY)
    assert len({*events, *events}) == 3


# What is refused.


@pytest.mark.parametrize(
    ("kind", "place", "options", "field"),
    [
        ("moonshine", LISBON, {}, "kind"),
        ("sunrise", None, {}, "place"),
        ("moon-transit", None, {}, "place"),
        ("sunrise", LISBON, {"altitude_degrees": 3.0}, "options"),
        ("sun-rising", LISBON, {}, "options"),
        ("sun-rising", LISBON, {"altitude_degrees": 91.0}, "altitude_degrees"),
        ("sun-rising", LISBON, {"altitude_degrees": "6"}, "altitude_degrees"),
        ("sun-rising", LISBON, {"altitude_degrees": True}, "altitude_degrees"),
        ("sun-over-meridian", None, {"longitude": float("nan")}, "longitude"),
        ("sun-over-meridian", None, {"longitude": 181.0}, "longitude"),
        ("sun-over-meridian", None, {"longitude": None}, "longitude"),
    ],
)
def test_a_question_that_makes_no_sense(kind: str, place: Place | None, options: dict[str, Any], field: str) -> None:
    with pytest.raises(AlmanacError) as refused:
        almanac.find(kind, START, END, place, **options)
    assert refused.value.field == field
    assert isinstance(refused.value, InputError)


def test_naive_datetimes_are_refused() -> None:
    for start, end, field in ((START.replace(tzinfo=None), END, "start"), (START, END.replace(tzinfo=None), "end")):
        with pytest.raises(AlmanacError) as refused:
            almanac.find("full-moon", start, end)
        assert refused.value.field == field


def test_an_end_before_the_start_is_refused() -> None:
    with pytest.raises(AlmanacError) as refused:
        almanac.find("full-moon", END, START)
    assert refused.value.field == "end"


@pytest.mark.parametrize("year", [1890, 2060])
def test_outside_the_ephemeris_the_error_says_the_range(year: int) -> None:
    with pytest.raises(EphemerisRangeError, match="1899-07-31 to 2053-10-05"):
        almanac.find("sunset", START, datetime(year, 1, 1, tzinfo=UTC), LISBON) if year > 2026 else almanac.find(
            "sunset", datetime(year, 1, 1, tzinfo=UTC), START, LISBON
        )


@pytest.mark.parametrize("kind", SKY_EVENT_KINDS)
def test_up_to_the_very_ends_of_the_ephemeris(kind: str) -> None:
    first, last = sky().ephemeris.span()
    for start, end in ((first, first + 40 * DAY), (last - 40 * DAY, last)):
        assert all(start <= event.at < end for event in find(kind, start, end))
