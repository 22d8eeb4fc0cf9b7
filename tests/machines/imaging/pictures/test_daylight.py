"""Day and night: lengths against an almanac, areas against the sphere."""

import json

import numpy as np
import pytest

from machines.errors import InputError
from machines.imaging.pictures import DaylightMap, LandPicture, Sheet, SkyNumbers, Twilights, YearOfDaylight
from machines.imaging.pictures.daylight import TWILIGHT_ENDS_DEGREES, altitudes_degrees

MINUTES = Sheet(columns=96, rows=1440, width_mm=96.0, height_mm=144.0)
KINDS = Twilights(day_ink=0.0, civil_ink=0.25, nautical_ink=0.5, astronomical_ink=0.75, night_ink=1.0)


def year(latitude: float, declination: float, equation_minutes: float = 0.0) -> np.ndarray:
    """The year of a place at which the Sun stays where it is."""
    sky = SkyNumbers(
        sun_declination_degrees=np.full(48, declination), equation_of_time_minutes=np.full(48, equation_minutes)
    )
    return YearOfDaylight(latitude_degrees=latitude, twilights=KINDS).draw(sky, MINUTES)


def test_day_and_civil_twilight_at_an_equinox() -> None:
    """Belgrade, 20 March 2026, the day of the equinox: sunrise 04:42, sunset 16:50, civil dawn 04:12 and dusk 17:20
    UT; USNO Astronomical Applications API 4.0.1, via a capture by a third party's tests."""
    column = year(44.82, 0.0)[:, 0]
    assert (column == 0.0).sum() == pytest.approx(12 * 60 + 8, abs=2)
    assert (column <= 0.25).sum() == pytest.approx(13 * 60 + 8, abs=2)


def test_the_midnight_sun_leaves_no_twilight() -> None:
    """Tromsø on 21 June 2026: the Sun is continuously above the horizon; USNO Astronomical Applications API 4.0.1,
    via a capture by a third party's tests."""
    assert not year(69.65, 23.44).any()
    assert year(69.65, -23.44).min() > 0.0  # and in December it does not rise


def test_noon_stands_in_the_middle_but_for_the_equation_of_time() -> None:
    for equation_minutes in (-14.0, 0.0, 16.0):
        day = np.flatnonzero(year(45.0, 10.0, equation_minutes)[:, 0] == 0.0)
        # A Sun that is ahead of the clock crosses the meridian before mean noon.
        assert (day[0] + day[-1] + 1) / 2 == pytest.approx(720 - equation_minutes, abs=1)


def test_the_year_runs_along_the_paper_and_closes() -> None:
    phases = np.arange(365) / 365
    declination = 23.44 * np.sin(2 * np.pi * phases)
    sky = SkyNumbers(sun_declination_degrees=declination, equation_of_time_minutes=np.zeros(365))
    days = (YearOfDaylight(latitude_degrees=50.0).draw(sky, MINUTES) == 0.0).sum(axis=0)
    assert abs(int(np.argmax(days)) - 24) <= 1  # June, a quarter of a turn after the March equinox
    assert abs(int(np.argmin(days)) - 72) <= 1
    assert abs(int(days[0]) - int(days[-1])) <= np.abs(np.diff(days)).max()


def test_altitude_by_hand() -> None:
    """At the pole it is the declination, at the place under the Sun 90 degrees, at noon 90 - latitude + declination."""
    assert altitudes_degrees(np.array(90.0), np.array(12.0), np.array(77.0)) == pytest.approx(12.0)
    assert altitudes_degrees(np.array(20.0), np.array(20.0), np.array(0.0)) == pytest.approx(90.0)
    assert altitudes_degrees(np.array(50.0), np.array(10.0), np.array(0.0)) == pytest.approx(50.0)
    assert altitudes_degrees(np.array(0.0), np.array(0.0), np.array(180.0)) == pytest.approx(-90.0)


NOTHING = json.dumps({"type": "Polygon", "coordinates": [[[0, 0], [1e-9, 0], [1e-9, 1e-9], [0, 0]]]}).encode()


def test_the_kinds_of_light_have_their_share_of_the_earth() -> None:
    """A cap of the sphere down to altitude h covers (1 + sin(-h)) / 2 of it (Archimedes), and an equal-area map keeps
    shares."""
    sheet = Sheet(columns=1200, rows=600, width_mm=np.pi * 100, height_mm=100.0)
    picture = DaylightMap(map=LandPicture(data="upload", projection="equal-area", ink=0.0), twilights=KINDS)
    for latitude, longitude in [(0.0, 0.0), (23.44, 100.0), (-15.0, -170.0)]:
        sky = SkyNumbers(subsolar_latitude_degrees=latitude, subsolar_longitude_degrees=longitude)
        tone = picture.draw(sky, sheet, NOTHING)
        shares = [(tone <= ink + 0.01).mean() for ink in (0.0, 0.25, 0.5, 0.75)]
        expected = [(1 - np.sin(np.radians(end))) / 2 for end in TWILIGHT_ENDS_DEGREES]
        assert shares == pytest.approx(expected, abs=0.002)


@pytest.mark.parametrize("projection", ["equirectangular", "mercator"])
def test_the_sun_stands_where_it_is_said_to(projection: str) -> None:
    sheet = Sheet(columns=720, rows=360, width_mm=360.0, height_mm=180.0)
    base = LandPicture(data="upload", projection=projection, ink=0.0)
    sky = SkyNumbers(subsolar_latitude_degrees=20.0, subsolar_longitude_degrees=-60.0)
    tone = DaylightMap(map=base, twilights=KINDS).draw(sky, sheet, NOTHING)
    for place, ink in [((-60, 20), 0.0), ((120, -20), 1.0), ((-60, 75), 0.0), ((120, -80), 1.0)]:
        column = int(base.columns(np.array([place[0]]), sheet)[0]) % 720
        row = int(base.rows(np.array([float(place[1])]), sheet)[0])
        if 0 <= row < 360:
            assert tone[row, column] == ink


def test_land_and_night_cover_the_paper_as_two_screens_do() -> None:
    sheet = Sheet(columns=360, rows=180, width_mm=360.0, height_mm=180.0)
    picture = DaylightMap(map=LandPicture(ink=0.5), twilights=Twilights(night_ink=0.4))
    tone = picture.draw(SkyNumbers(subsolar_latitude_degrees=0.0, subsolar_longitude_degrees=0.0), sheet)
    assert tone[90 + 25, 180 - 135] == pytest.approx(1 - 0.5 * 0.6)  # Australia at night
    assert tone[90, 359] == pytest.approx(0.4)  # the Pacific at night
    assert tone[90 - 20, 180 - 10] == pytest.approx(0.5)  # the Sahara by day


def test_nothing_is_shaded_beyond_the_limits_of_the_map() -> None:
    sheet = Sheet(columns=360, rows=240, width_mm=360.0, height_mm=240.0)
    sky = SkyNumbers(subsolar_latitude_degrees=0.0, subsolar_longitude_degrees=0.0)
    tone = DaylightMap(map=LandPicture(north_degrees=60.0, south_degrees=-60.0)).draw(sky, sheet)
    assert not tone[:59].any()
    assert not tone[-59:].any()
    assert tone[61].any()


def test_columns_and_longitudes_rows_and_latitudes_are_inverse() -> None:
    sheet = Sheet(columns=720, rows=360, width_mm=360.0, height_mm=180.0)
    for projection in ("equirectangular", "mercator", "miller", "equal-area", "gall-stereographic"):
        picture = LandPicture(projection=projection, central_meridian_degrees=20.0)
        places = np.linspace(-80.0, 80.0, 33)
        assert picture.latitudes(picture.rows(places, sheet), sheet) == pytest.approx(places, abs=1e-4)
        assert picture.longitudes(picture.columns(places, sheet), sheet) == pytest.approx(places)


def test_numbers_are_asked_for_by_name() -> None:
    with pytest.raises(InputError, match=r"sky\.sun_declination_degrees: missing"):
        YearOfDaylight().draw(SkyNumbers(), MINUTES)
    with pytest.raises(InputError, match="at least 24"):
        YearOfDaylight().draw(SkyNumbers(sun_declination_degrees=np.zeros(5)), MINUTES)
    with pytest.raises(InputError, match=r"sky\.subsolar_longitude_degrees: missing"):
        DaylightMap().draw(SkyNumbers(), MINUTES)
    with pytest.raises(InputError, match=r"map\.upload: missing"):
        DaylightMap(map=LandPicture(data="upload")).check_upload(None)
    with pytest.raises(InputError, match="latitude_degrees"):
        YearOfDaylight(latitude_degrees=91.0)
    with pytest.raises(InputError, match="civil_ink"):
        Twilights(civil_ink=2.0)
