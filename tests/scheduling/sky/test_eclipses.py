from __future__ import annotations

from datetime import UTC, datetime

import numpy as np
import pytest

from scheduling.sky import cycles
from scheduling.sky.bodies import sky
from scheduling.sky.eclipses import LunarEclipse, eclipses_at
from scheduling.sky.vectors import angle_between


@pytest.fixture(scope="module")
def eclipses() -> list[LunarEclipse]:
    """Those of 2011 to 2030."""
    month = cycles.get("synodic-month")
    first, last = month.turns([datetime(year, 1, 1, tzinfo=UTC).timestamp() for year in (2011, 2031)])
    full_moons = month.instants(np.arange(np.ceil(first - 0.5), last - 0.5) + 0.5)
    return eclipses_at(sky(), sky().ephemeris.scales.tt_from_posix(full_moons))


def separation(tt: np.ndarray) -> np.ndarray:
    return angle_between(sky().moon.vector_km(tt), -sky().sun.vector_km(tt))


def test_there_are_two_to_five_a_year(eclipses: list[LunarEclipse]) -> None:
    years = [int(2000 + eclipse.greatest_tt / 86_400 / 365.25) for eclipse in eclipses]
    counts = [years.count(year) for year in range(2012, 2030)]
    assert min(counts) >= 1  # a year by this reckoning ends at noon of another day
    assert max(counts) <= 5
    assert len(eclipses) / 20.0 == pytest.approx(2.3, abs=0.15)


def test_the_greatest_is_when_the_moon_is_nearest_to_the_axis(eclipses: list[LunarEclipse]) -> None:
    greatest = np.array([eclipse.greatest_tt for eclipse in eclipses])
    nearest = separation(greatest)
    for seconds in (30.0, 600.0, 7200.0):
        assert (separation(greatest - seconds) > nearest).all()
        assert (separation(greatest + seconds) > nearest).all()


def test_stages_lie_within_one_another(eclipses: list[LunarEclipse]) -> None:
    for eclipse in eclipses:
        stages = [stage for stage in (eclipse.penumbral, eclipse.partial, eclipse.total) if stage is not None]
        edges = [begins for begins, _ in stages] + [eclipse.greatest_tt] + [ends for _, ends in reversed(stages)]
        assert edges == sorted(edges)
        assert eclipse.penumbral is not None


def test_the_type_follows_the_magnitude(eclipses: list[LunarEclipse]) -> None:
    for eclipse in eclipses:
        magnitude = eclipse.umbral_magnitude
        expected = "total" if magnitude > 1.0 else "partial" if magnitude > 0.0 else "penumbral"
        assert eclipse.type == expected
        assert (eclipse.total is not None) == (magnitude > 1.0)
        assert (eclipse.partial is not None) == (magnitude > 0.0)
        assert eclipse.penumbral_magnitude > max(0.0, magnitude)


def test_the_longest_total_phase_of_the_century(eclipses: list[LunarEclipse]) -> None:
    """2018-07-27, 103 minutes: F. Espenak, NASA GSFC, Lunar Eclipses: 2001 to 2100, via cosinekitty/astronomy."""
    lengths = {eclipse.greatest_tt: eclipse.total[1] - eclipse.total[0] for eclipse in eclipses if eclipse.total}
    longest = max(lengths, key=lambda greatest: lengths[greatest])
    at = datetime.fromtimestamp(float(sky().ephemeris.scales.posix_from_tt(longest)), UTC)
    assert at.date().isoformat() == "2018-07-27"
    assert lengths[longest] / 60.0 == pytest.approx(103.0, abs=1.5)


def test_no_full_moons_no_eclipses() -> None:
    assert eclipses_at(sky(), np.empty(0)) == []
