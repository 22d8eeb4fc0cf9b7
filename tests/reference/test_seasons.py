"""Equinoxes, solstices, perihelion and aphelion against published instants."""

from __future__ import annotations

from datetime import datetime

import numpy as np
import pytest

from scheduling.sky import almanac, cycles
from scheduling.sky.bodies import sky
from tests.reference import usno
from tests.reference.clock import seconds_from, tt_of, tt_of_jde, utc
from tests.reference.errors import Errors

AU_KM = 149_597_870.7  # IAU 2012 Resolution B2


@pytest.mark.parametrize(
    ("published_tt", "method"),
    [(tt_of_jde(2437837.39245), "method of chapter 27"), (tt_of(1962, 6, 21, 21, 24, 42), "complete VSOP87")],
)
def test_meeus_27_june_solstice_of_1962(published_tt: np.ndarray, method: str) -> None:
    """J. Meeus, Astronomical Algorithms, 2nd ed., 1998, examples 27.a and 27.b, via soniakeys/meeus@bfbd9ac2."""
    del method
    instant = cycles.get("tropical-year").instants(1962 - 2000 + 0.25)
    tt = sky().ephemeris.scales.tt_from_posix(instant)
    assert tt == pytest.approx(published_tt, abs=60.0)


def test_meeus_27_june_solstice_of_1962_by_vsop87_to_the_second(errors: Errors) -> None:
    instant = cycles.get("tropical-year").instants(1962 - 2000 + 0.25)
    tt = sky().ephemeris.scales.tt_from_posix(instant)
    apart = tt - tt_of(1962, 6, 21, 21, 24, 42)
    assert errors.note("june-solstice", "Meeus ex. 27.b, 1962 (VSOP87)", "s", apart) < 5.0


@pytest.mark.parametrize(
    ("kind", "published"), [("march-equinox", utc(2026, 3, 20, 14, 46)), ("june-solstice", utc(2026, 6, 21, 8, 24))]
)
def test_usno_seasons_of_2026(kind: str, published: datetime) -> None:
    """US Naval Observatory, Astronomical Applications API 4.0.1, seasons?year=2026, via a third party's test."""
    (event,) = almanac.find(kind, utc(2026, 1, 1), utc(2027, 1, 1))
    assert abs(seconds_from(event.at, published)) < 60.0


@pytest.mark.parametrize(
    "kind", ["march-equinox", "june-solstice", "september-equinox", "december-solstice", "perihelion", "aphelion"]
)
def test_usno_seasons_from_2000_to_2020(kind: str, errors: Errors) -> None:
    """US Naval Observatory, Earth's Seasons, via ephem 4.2.1, test_usno_equinoxes.py; whole minutes or hours."""
    published = [instant for name, instant in usno.seasons() if name == kind]
    found = almanac.find(kind, utc(2000, 1, 1), utc(2021, 1, 1))
    assert len(found) == len(published) == 21
    apart = [seconds_from(event.at, at) for event, at in zip(found, published, strict=True)]
    # Half of the last digit, and some seconds for the delta T that was predicted when the table was made. The hours of
    # perihelion are coarser still; they are checked to a hundredth of an hour below.
    rounded, tolerance = ("hours", 2700.0) if kind.endswith("helion") else ("minutes", 45.0)
    assert errors.note(kind, f"USNO 2000 to 2020 (whole {rounded})", "s", apart) < tolerance


# J. Meeus, Astronomical Algorithms, 2nd ed., 1998, p. 274: hours of TD and distances in AU by the complete VSOP87.
# Via soniakeys/meeus@bfbd9ac2, v3/perihelion/pp_test.go.
PERIHELIA = """1991-01-03 3.00 .983281, 1992-01-03 15.06 .983324, 1993-01-04 3.08 .983283, 1994-01-02 5.92 .983301,
1995-01-04 11.10 .983302, 1996-01-04 7.43 .983223, 1997-01-01 23.29 .983267, 1998-01-04 21.27 .983300,
1999-01-03 13.02 .983281, 2000-01-03 5.31 .983321, 2001-01-04 8.89 .983286, 2002-01-02 14.17 .983290,
2003-01-04 5.04 .983320, 2004-01-04 17.72 .983265, 2005-01-02 0.61 .983297, 2006-01-04 15.52 .983327,
2007-01-03 19.74 .983260, 2008-01-02 23.87 .983280, 2009-01-04 15.51 .983273, 2010-01-03 0.18 .983290"""
APHELIA = """1991-07-06 15.46 1.016703, 1992-07-03 12.14 1.016740, 1993-07-04 22.37 1.016666, 1994-07-05 19.30 1.016724,
1995-07-04 2.29 1.016742, 1996-07-05 19.02 1.016717, 1997-07-04 19.34 1.016754, 1998-07-03 23.86 1.016696,
1999-07-06 22.86 1.016718, 2000-07-03 23.84 1.016741, 2001-07-04 13.65 1.016643, 2002-07-06 3.80 1.016688,
2003-07-04 5.67 1.016728, 2004-07-05 10.90 1.016694, 2005-07-05 4.98 1.016742, 2006-07-03 23.18 1.016697,
2007-07-06 23.89 1.016706, 2008-07-04 7.71 1.016754, 2009-07-04 1.69 1.016666, 2010-07-06 11.52 1.016702"""


@pytest.mark.parametrize(("kind", "table"), [("perihelion", PERIHELIA), ("aphelion", APHELIA)])
def test_meeus_38_perihelia_and_aphelia(kind: str, table: str, errors: Errors) -> None:
    found = almanac.find(kind, utc(1991, 1, 1), utc(2011, 1, 1))
    scales = sky().ephemeris.scales
    hours, distances = [], []
    for event, text in zip(found, table.split(","), strict=True):
        day, hour, distance = text.split()
        published_tt = tt_of(*map(int, day.split("-"))) + 3600.0 * float(hour)
        hours.append((scales.tt_from_posix(event.at.timestamp()) - published_tt) / 3600.0)
        distances.append(event.details["distance_km"] / AU_KM - float(distance))
    assert errors.note(kind, "Meeus p. 274 (VSOP87)", "h", hours) < 0.02
    assert errors.note(f"distance at {kind}", "Meeus p. 274 (VSOP87)", "AU", distances) < 1.5e-6
