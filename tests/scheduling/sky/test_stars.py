from __future__ import annotations

from datetime import UTC, datetime

import erfa
import numpy as np
import pytest

from scheduling.sky.ephemeris import EphemerisRangeError, load
from scheduling.sky.stars import precess
from scheduling.sky.timescales import J2000_JD, posix_of
from scheduling.sky.vectors import angle_between, direction

AT = datetime(2026, 11, 25, tzinfo=UTC)


def random_stars(count: int) -> tuple[np.ndarray, np.ndarray]:
    random = np.random.default_rng(21)
    return random.uniform(0.0, 360.0, count), np.degrees(np.arcsin(random.uniform(-1.0, 1.0, count)))


@pytest.mark.parametrize("year", [1920, 2000, 2026, 2052])
def test_against_the_rotation_of_the_iau(year: int) -> None:
    """ERFA's pnm06a: frame bias, precession IAU 2006, nutation IAU 2000A."""
    at = datetime(year, 7, 1, tzinfo=UTC)
    ascension, declination = random_stars(500)
    found = direction(*(np.radians(angle) for angle in precess(ascension, declination, at)))
    tt_days = float(load().scales.tt_from_posix(posix_of(at))) / 86_400.0
    theirs = erfa.pnm06a(J2000_JD, tt_days) @ direction(np.radians(ascension), np.radians(declination))
    assert np.degrees(angle_between(found, theirs)).max() * 3600.0 < 0.001


def test_at_j2000_stars_move_by_nutation_alone() -> None:
    ascension, declination = random_stars(500)
    found = direction(
        *(np.radians(angle) for angle in precess(ascension, declination, datetime(2000, 1, 1, 12, tzinfo=UTC)))
    )
    moved = 3600.0 * np.degrees(angle_between(found, direction(np.radians(ascension), np.radians(declination))))
    assert 1.0 < moved.max() < 20.0


def test_precession_is_fifty_seconds_of_arc_a_year() -> None:
    ascension, _ = precess([0.0], [0.0], datetime(2050, 1, 1, tzinfo=UTC))
    assert ascension[0] / 50.0 * 3600.0 == pytest.approx(46.1, abs=0.4)  # along the equator: 3.07 s of time a year


def test_an_instant_may_be_posix_seconds() -> None:
    ascension, declination = random_stars(3)
    for one, other in zip(
        precess(ascension, declination, AT), precess(ascension, declination, AT.timestamp()), strict=True
    ):
        assert one.tolist() == other.tolist()


def test_right_ascension_is_from_0_to_360() -> None:
    ascension, _ = precess(np.linspace(0.0, 360.0, 1000), np.zeros(1000), AT)
    assert ((ascension >= 0.0) & (ascension < 360.0)).all()


def test_what_is_refused() -> None:
    with pytest.raises(EphemerisRangeError):
        precess([0.0], [0.0], datetime(2060, 1, 1, tzinfo=UTC))
    with pytest.raises(ValueError, match="no time zone"):
        precess([0.0], [0.0], AT.replace(tzinfo=None))
    with pytest.raises(ValueError, match=r"declination_degrees\[0\]"):
        precess([0.0], [np.nan], AT)
