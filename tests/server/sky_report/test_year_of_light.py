from __future__ import annotations

from collections import defaultdict
from datetime import UTC, date, datetime, timedelta
from functools import cache
from itertools import pairwise

import numpy as np
import pytest

from scheduling.sky import almanac
from scheduling.sky.ephemeris import EphemerisRangeError
from scheduling.sky.places import Place
from scheduling.sky.timescales import DAY_S
from scheduling.sky.zones import zone
from server.sky_report.year_of_light import LEVELS, LightStretch, LightYear, light_year

WHERE = {
    "Lisbon": (Place(38.72, -9.14), "Europe/Lisbon"),
    "Tromso": (Place(69.65, 18.96), "Europe/Oslo"),
    "Chatham": (Place(-43.95, -176.55), "Pacific/Chatham"),
    "Santiago": (Place(-33.45, -70.67), "America/Santiago"),  # clocks change at midnight
    "Kathmandu": (Place(27.7, 85.3), "Asia/Kathmandu"),  # clocks never change
}


@cache
def year_at(name: str, year: int = 2026) -> LightYear:
    place, zone_name = WHERE[name]
    return light_year(place, zone(zone_name), year)


def by_day(stretches: list[LightStretch]) -> dict[int, list[LightStretch]]:
    days = defaultdict(list)
    for stretch in stretches:
        days[stretch.day].append(stretch)
    return days


@pytest.mark.parametrize("name", WHERE)
def test_light_covers_every_date_but_for_the_changes_of_clocks(name: str) -> None:
    year = year_at(name)
    days = by_day(year.light)
    assert sorted(days) == list(range(365))
    changed = {year.day_and_seconds(change.at - timedelta(seconds=1))[0] for change in year.clock_changes}
    changed |= {year.day_and_seconds(change.at)[0] for change in year.clock_changes}
    for day, stretches in days.items():
        covered = sum(stretch.ends_s - stretch.begins_s for stretch in stretches)
        if day in changed:
            assert covered == pytest.approx(DAY_S, abs=3601.0)
        else:
            assert covered == pytest.approx(DAY_S, abs=1e-3)
            assert stretches[0].begins_s == 0.0
            assert stretches[-1].ends_s == DAY_S
            for one, other in pairwise(stretches):
                assert other.begins_s == pytest.approx(one.ends_s, abs=1e-6)


@pytest.mark.parametrize("name", WHERE)
def test_light_changes_a_level_at_a_time(name: str) -> None:
    for stretches in by_day(year_at(name).light).values():
        values = [stretch.value for stretch in stretches]
        assert set(values) <= {float(level) for level in range(len(LEVELS))}
        assert np.abs(np.diff(values)).max(initial=0.0) <= 1.0 or len(year_at(name).clock_changes) > 0


@pytest.mark.parametrize(
    ("name", "changes"),
    [
        ("Lisbon", [(datetime(2026, 3, 29, 1, tzinfo=UTC), 60), (datetime(2026, 10, 25, 1, tzinfo=UTC), -60)]),
        ("Chatham", [(datetime(2026, 4, 4, 14, tzinfo=UTC), -60), (datetime(2026, 9, 26, 14, tzinfo=UTC), 60)]),
        ("Santiago", [(datetime(2026, 4, 5, 3, tzinfo=UTC), -60), (datetime(2026, 9, 6, 4, tzinfo=UTC), 60)]),
        ("Kathmandu", []),
    ],
)
def test_changes_of_clocks(name: str, changes: list[tuple[datetime, int]]) -> None:
    found = [(change.at, change.by // timedelta(minutes=1)) for change in year_at(name).clock_changes]
    assert found == changes


def test_the_length_of_the_day_is_from_sunrise_to_sunset() -> None:
    year = year_at("Lisbon")
    for day in (0, 171, 300, 364):
        start = datetime(2026, 1, 1, tzinfo=UTC) + timedelta(days=day)
        rise, set_ = (
            almanac.find(kind, start, start + timedelta(days=1), year.place)[0] for kind in ("sunrise", "sunset")
        )
        assert year.day_lengths_s[day] == pytest.approx((set_.at - rise.at).total_seconds(), abs=1e-3)


def test_the_polar_day_and_night() -> None:
    year = year_at("Tromso")
    midsummer, midwinter = ((date(2026, *day) - date(2026, 1, 1)).days for day in ((6, 21), (12, 21)))
    assert year.day_lengths_s[midsummer] == pytest.approx(DAY_S)
    assert year.day_lengths_s[midwinter] == 0.0
    assert {stretch.value for stretch in year.light if stretch.day == midsummer} == {0.0}
    assert min(stretch.value for stretch in year.light if stretch.day == midwinter) == 1.0


def test_noons_step_with_the_clocks() -> None:
    noons = year_at("Lisbon").noons_s
    steps = np.abs(np.diff(noons))
    assert (steps > 3000.0).sum() == 2
    assert np.sort(steps)[:-2].max() < 31.0  # the equation of time changes by half a minute a day at most
    assert noons[0] == pytest.approx(12 * 3600 + 40 * 60, abs=60)


def test_a_date_without_a_noon_is_left_out() -> None:
    """By the clock of the other side of the Earth noon falls about midnight: not at all on some date."""
    year = light_year(Place(51.48, 0.0), zone("Pacific/Tarawa"), 2026)
    assert 1 <= np.isnan(year.noons_s).sum() <= 4


def test_the_moon_is_drawn_where_it_is_up_by_its_light() -> None:
    year = year_at("Lisbon")
    assert all(0.0 < stretch.value <= 1.0 for stretch in year.moon)
    hours = sum(stretch.ends_s - stretch.begins_s for stretch in year.moon) / 3600.0
    assert hours == pytest.approx(365 * 12, rel=0.05)
    full = next(event for event in year.events if event.kind == "full-moon")
    day, seconds = year.day_and_seconds(full.at.replace(hour=2))
    (stretch,) = [each for each in year.moon if each.day == day and each.begins_s <= seconds < each.ends_s]
    assert stretch.value > 0.99


def test_leap_years_have_a_day_more() -> None:
    assert (year_at("Kathmandu").days, year_at("Kathmandu", 2028).days) == (365, 366)


@pytest.mark.parametrize("year", [0, 1, 1899, 2053, 2054, 9999, 10_000])
def test_outside_the_ephemeris(year: int) -> None:
    with pytest.raises(EphemerisRangeError, match="1899-07-31 to 2053-10-05"):
        year_at("Lisbon", year)
