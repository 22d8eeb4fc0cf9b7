from __future__ import annotations

from concurrent.futures import ThreadPoolExecutor
from datetime import UTC, date, datetime, timedelta

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from scheduling.sky import almanac, cycles
from scheduling.sky.ephemeris import EphemerisRangeError
from scheduling.sky.places import Place
from scheduling.sky.temporalhours import NoSunriseError, _kept, temporal_hours
from scheduling.sky.timescales import DAY_S, posix_of

LISBON, CHATHAM, TROMSO = Place(38.72, -9.14), Place(-43.95, -176.55), Place(69.65, 18.96)
REYKJAVIK = Place(64.15, -21.94)
START, END = datetime(2026, 1, 1, tzinfo=UTC), datetime(2027, 1, 1, tzinfo=UTC)


def posix(events: list[almanac.SkyEvent]) -> np.ndarray:
    return np.array([posix_of(event.at) for event in events])


@pytest.mark.parametrize("place", [LISBON, CHATHAM, REYKJAVIK, Place(0.0, 179.99), Place(-65.0, -179.99)])
def test_sunrise_is_phase_zero_and_sunset_a_half(place: Place) -> None:
    hours = temporal_hours(place=place)
    rises, sets = (hours.turns(posix(almanac.find(kind, START, END, place))) for kind in ("sunrise", "sunset"))
    assert rises == pytest.approx(np.round(rises), abs=1e-9)
    assert sets - 0.5 == pytest.approx(np.round(sets - 0.5), abs=1e-9)
    assert (np.diff(np.round(rises)) == 1.0).all()


@pytest.mark.parametrize("place", [LISBON, CHATHAM, REYKJAVIK, Place(10.0, 179.9), Place(10.0, -179.9)])
def test_turns_are_numbered_by_the_noon_that_they_hold(place: Place) -> None:
    noons = posix(almanac.find("solar-noon", START, END, place))
    local = cycles.get("apparent-solar-day").turns(noons) + place.longitude_degrees / 360.0
    assert np.floor(temporal_hours(place=place).turns(noons)) == pytest.approx(local - 0.5, abs=1e-6)


def test_turn_zero_is_the_first_of_january_2000() -> None:
    sunrise = datetime.fromtimestamp(float(temporal_hours(place=LISBON).instants(0.0)), UTC)
    assert (sunrise.date(), sunrise.hour) == (date(2000, 1, 1), 7)


def test_hours_are_equal_parts_of_the_day_and_of_the_night() -> None:
    hours = temporal_hours(place=LISBON)
    midsummer = int(np.floor(hours.turns(datetime(2026, 6, 21, 12, tzinfo=UTC).timestamp())))
    day = np.diff(hours.instants(midsummer + np.arange(13) / 24.0))
    night = np.diff(hours.instants(midsummer + 0.5 + np.arange(13) / 24.0))
    assert day == pytest.approx(day.mean(), abs=1e-5)
    assert night == pytest.approx(night.mean(), abs=1e-5)
    assert day.mean() / night.mean() > 1.5


@settings(deadline=None)  # the first to ask for a block of days finds its sunrises
@given(
    latitude=st.floats(-65.0, 65.0),
    longitude=st.floats(-180.0, 180.0),
    days=st.lists(st.floats(0.0, 18_000.0), min_size=1, max_size=8),
)
def test_there_and_back_between_the_polar_circles(latitude: float, longitude: float, days: list[float]) -> None:
    hours = temporal_hours(place=Place(latitude, longitude))
    instants = datetime(2001, 1, 1, tzinfo=UTC).timestamp() + np.array(days) * DAY_S
    assert hours.instants(hours.turns(instants)) == pytest.approx(instants, abs=1e-5)


@pytest.mark.parametrize(
    ("instant", "last_before", "first_after"),
    [
        (datetime(2026, 6, 21, tzinfo=UTC), date(2026, 5, 17), date(2026, 7, 25)),
        (datetime(2026, 12, 21, 12, tzinfo=UTC), date(2026, 11, 27), date(2027, 1, 15)),
    ],
)
def test_in_the_polar_day_and_night_the_error_names_the_dates(
    instant: datetime, last_before: date, first_after: date
) -> None:
    hours = temporal_hours(place=TROMSO)
    with pytest.raises(NoSunriseError) as refused:
        hours.turns([datetime(2026, 3, 1, tzinfo=UTC).timestamp(), instant.timestamp()])
    assert (refused.value.last_before, refused.value.first_after) == (last_before, first_after)
    assert refused.value.place == TROMSO
    assert str(last_before) in str(refused.value)
    assert str(first_after) in str(refused.value)


def test_the_inverse_names_the_same_dates() -> None:
    hours = temporal_hours(place=TROMSO)
    march = float(hours.turns(datetime(2026, 3, 1, tzinfo=UTC).timestamp()))
    with pytest.raises(NoSunriseError) as refused:
        hours.instants([march, march + 110.0])
    assert refused.value.last_before == date(2026, 5, 17)


@pytest.mark.parametrize("place", [TROMSO, Place(-70.0, 2.0), Place(66.5, 25.7), Place(89.0, 0.0)])
def test_an_hour_exists_exactly_between_a_rise_and_a_set_that_follow_each_other(place: Place) -> None:
    """Every eleven hours of a year against the almanac's own rises and sets."""
    hours = temporal_hours(place=place)
    edges = posix(almanac.calendar(START - timedelta(days=3), END + timedelta(days=3), place, ("sunrise", "sunset")))
    for instant in np.arange(posix_of(START), posix_of(END), 39_600.0):
        after = int(np.searchsorted(edges, instant, side="right"))
        within = 0 < after < len(edges) and edges[after] - edges[after - 1] < 1.2 * DAY_S
        if within:
            assert edges[after - 1] <= hours.instants(np.floor(2.0 * hours.turns(instant)) / 2.0) + 1e-3
        else:
            with pytest.raises(NoSunriseError):
                hours.turns(instant)


@pytest.mark.parametrize("turns", [1e5, -1e5, 1e300, -1e300])
def test_turns_far_beyond_the_ephemeris_say_its_range(turns: float) -> None:
    with pytest.raises(EphemerisRangeError, match="1899-07-31 to 2053-10-05"):
        temporal_hours(place=LISBON).instants([0.0, turns])


@pytest.mark.parametrize("latitude", [90.0, -90.0])
def test_at_a_pole_there_are_none(latitude: float) -> None:
    with pytest.raises(NoSunriseError):
        temporal_hours(place=Place(latitude, 0.0)).turns(START.timestamp())


def test_places_share_nothing_and_each_is_kept() -> None:
    assert temporal_hours(place=LISBON) is temporal_hours(place=Place(38.72, -9.14))
    assert temporal_hours(place=LISBON) is not temporal_hours(place=CHATHAM)


def test_threads_find_what_one_alone_finds() -> None:
    instants = posix_of(START) + np.random.default_rng(2).uniform(0.0, 3e8, 300)
    expected = temporal_hours(place=LISBON).turns(instants)
    _kept.cache_clear()  # so that the threads find nothing that is kept
    hours = temporal_hours(place=LISBON)
    with ThreadPoolExecutor(6) as threads:
        found = list(threads.map(lambda _: hours.turns(instants), range(6)))
    assert all((each == expected).all() for each in found)
