"""Our maps against published numbers, and against pyproj itself over random places."""

import math
import re
from importlib import resources

import ephem.cities as ephem_cities
import numpy as np
import pytest
from pyproj import Geod, Proj

from machines.imaging.pictures import LandPicture, Sheet, SkyNumbers
from machines.imaging.pictures.projections import Projection, parallels


def plane(picture: LandPicture, longitude: float, latitude: float, radius: float = 1.0) -> tuple[float, float]:
    """Easting and northing from the centre of the map, as a textbook has them, read back from columns and rows."""
    turn = 2 * np.pi * radius
    sheet = Sheet(columns=360_000, rows=100, width_mm=turn, height_mm=turn / 2)
    column = picture.columns(np.array([longitude]), sheet)[0]
    row = picture.rows(np.array([latitude]), sheet)[0]
    return float(turn / 2 - column * sheet.column_mm), float((sheet.rows / 2 - row) * sheet.row_mm)


def place(picture: LandPicture, east: float, north: float, radius: float = 1.0) -> tuple[float, float]:
    """The inverse of `plane`: longitude and latitude in degrees, by the map's own inverse."""
    turn = 2 * np.pi * radius
    sheet = Sheet(columns=360_000, rows=100, width_mm=turn, height_mm=turn / 2)
    longitude = picture.longitudes(np.array([(turn / 2 - east) / sheet.column_mm]), sheet)[0]
    latitude = picture.latitudes(np.array([sheet.rows / 2 - north / sheet.row_mm]), sheet)[0]
    return float(longitude), float(latitude)


def scale_along_meridian(projection: Projection, latitude: float) -> float:
    """h, by a central difference."""
    step = 1e-4
    south, north = parallels(projection, np.array([latitude - step, latitude + step]))
    return float((north - south) / np.radians(2 * step))


def test_i1_mercator_on_the_sphere() -> None:
    """J. P. Snyder, Map Projections: A Working Manual, USGS Professional Paper 1395 (1987), Appendix A, Mercator,
    equations 7-1 to 7-5, via a transcription (neacsum/snyder numerics/mercator.md): R = 1, central meridian 180° W,
    35° N 75° W."""
    picture = LandPicture(projection="mercator", central_meridian_degrees=-180.0)
    assert plane(picture, -75.0, 35.0) == pytest.approx((1.8325957, 0.6528366), abs=1e-7)
    assert scale_along_meridian("mercator", 35.0) == pytest.approx(1.2207746, abs=1e-6)
    longitude, latitude = place(picture, 1.8325957, 0.6528366)
    # Half of the last digit given is 3e-6 degrees.
    assert (longitude % 360.0 - 360.0, latitude) == pytest.approx((-75.0, 35.0), abs=4e-6)


def test_i2_miller_cylindrical() -> None:
    """J. P. Snyder, Map Projections: A Working Manual, USGS Professional Paper 1395 (1987), Appendix A, Miller,
    equations 11-1 to 11-5, via a transcription (neacsum/snyder numerics/miller.md): R = 1, central meridian 0°, 50° N
    75° W. k is the secant of the latitude on every map of ours."""
    assert plane(LandPicture(projection="miller"), -75.0, 50.0) == pytest.approx((-1.3089969, 0.9536371), abs=1e-7)
    h, k = scale_along_meridian("miller", 50.0), 1 / np.cos(np.radians(50.0))
    assert h == pytest.approx(1.3054073, abs=1e-6)
    assert k == pytest.approx(1.5557238, abs=1e-7)
    assert np.degrees(2 * np.arcsin(abs(h - k) / (h + k))) == pytest.approx(10.0382962, abs=1e-4)


def test_i4_mercator_in_metres() -> None:
    """IOGP/EPSG Guidance Note 7-2, example for method 1024, via OSGeo/PROJ test/gie/4D-API_cs2cs-style.gie: on the
    sphere of 6378137 m, 24°22'54.433\" N 100°20'00.000\" W; and back from a northing of 2810000.00 m, at
    24°27'48.889\" N."""
    latitude = 24 + 22 / 60 + 54.433 / 3600
    east, north = plane(LandPicture(projection="mercator"), -(100 + 20 / 60), latitude, radius=6378137.0 / 1e5)
    assert (east * 1e5, north * 1e5) == pytest.approx((-11169055.58, 2800000.00), abs=0.01)
    back = place(LandPicture(projection="mercator"), -111.6905558, 28.1, radius=6378137.0 / 1e5)
    # A thousandth of a second of arc is the last digit given, 0.03 m on the ground.
    assert back == pytest.approx((-(100 + 20 / 60), 24 + 27 / 60 + 48.889 / 3600), abs=0.0006 / 3600)


def test_i5_equirectangular() -> None:
    """PROJ's own tests (test/gie/builtins.gie), sphere of 6400000 m, 1° N 2° E; and the easting of IOGP GN 7-2, 3.2.5,
    WGS 84, 10° E (its northing is for the ellipsoid; our maps are drawn on a sphere)."""
    east, north = plane(LandPicture(), 2.0, 1.0, radius=64.0)
    assert (east * 1e5, north * 1e5) == pytest.approx((223402.144255274, 111701.072127637), abs=0.01)
    east, _ = plane(LandPicture(), 10.0, 55.0, radius=63.78137)
    assert east * 1e5 == pytest.approx(1113194.91, abs=0.01)
    assert place(LandPicture(), 2.23402144255274, 1.11701072127637, radius=64.0) == pytest.approx((2.0, 1.0), abs=1e-7)


def test_i5a_how_far_a_map_on_the_sphere_is_from_one_on_the_ellipsoid() -> None:
    """IOGP GN 7-2, 3.2.5, equidistant cylindrical on WGS 84, standard parallel 0, 55° N 10° E: northing 6097230.31 m,
    the meridian's length from the equator, which pyproj's geodesics give for every latitude.

    Our maps are drawn on the sphere of the equator's radius, and 55° N stands 25341.7 m north of it, 0.4%. That is
    the most there is at any latitude; on a turn of 600 mm it is 0.38 mm."""
    latitudes = np.arange(0.0, 91.0)
    nowhere = np.zeros_like(latitudes)
    _, _, meridian_m = Geod(ellps="WGS84").inv(nowhere, nowhere, nowhere, latitudes)
    assert meridian_m[55] == pytest.approx(6097230.31, abs=0.01)
    ours_m = parallels("equirectangular", latitudes) * 6378137.0
    assert ours_m[55] - 6097230.31 == pytest.approx(25341.68, abs=0.01)
    off_mm = (ours_m - meridian_m) / (2 * np.pi * 6378137.0) * 600.0
    assert np.argmax(off_mm) == 55
    assert (off_mm.min(), off_mm.max()) == (0.0, pytest.approx(0.379, abs=0.001))


STRINGS = {
    "equirectangular": "+proj=eqc +R=1 +lat_ts={parallel}",
    "mercator": "+proj=merc +R=1",
    "miller": "+proj=mill +R=1",
    "equal-area": "+proj=cea +R=1 +lat_ts={parallel}",
    "gall-stereographic": "+proj=gall +R=1",
}


@pytest.mark.parametrize(
    ("projection", "parallel"), [*((name, 0.0) for name in STRINGS), ("equirectangular", 37.5), ("equal-area", 37.5)]
)
def test_columns_and_rows_are_those_of_pyproj(projection: Projection, parallel: float) -> None:
    """Over random places, with both coordinates from pyproj; a map of any scale is the same map."""
    rng = np.random.default_rng(1)
    longitudes, latitudes = rng.uniform(-180, 180, 5000), rng.uniform(-85, 85, 5000)
    picture = LandPicture(projection=projection, standard_parallel_degrees=parallel)
    sheet = Sheet(columns=6000, rows=3000, width_mm=600.0, height_mm=300.0)
    proj = Proj(STRINGS[projection].format(parallel=parallel))
    east, north = proj(longitudes, latitudes)
    edge, _ = proj(180.0, 0.0)
    columns_per_unit = 3000 / edge
    assert np.abs(picture.columns(longitudes, sheet) - (3000 - east * columns_per_unit)).max() < 1e-6
    assert np.abs(picture.rows(latitudes, sheet) - (1500 - north * columns_per_unit)).max() < 1e-6


FACTBOOK_SHARE = 148.94 / 510.072


def test_land_has_its_share_of_the_earth() -> None:
    """The World Factbook (CIA), World: 510.072 million square kilometres, of which land 148.94, "29.2%", via a
    republication of its text (cultureconnect.com/facts/xx.htm); its later editions say 29.1%. Our land is generalised
    to 1:50 million and has no Caspian Sea."""
    sheet = Sheet(columns=3600, rows=1146, width_mm=np.pi * 100, height_mm=100.0)
    tone = LandPicture(projection="equal-area").draw(SkyNumbers(), sheet)
    assert tone.mean() == pytest.approx(FACTBOOK_SHARE, abs=0.005)


@pytest.mark.parametrize("projection", STRINGS)
def test_land_has_its_share_in_every_projection(projection: Projection) -> None:
    """Each row counted by the area of the zone of latitudes that it shows, 2 pi (sin north - sin south), with the
    limits at the edges of the paper: the same number from the World Factbook."""
    limit = 89.5  # Mercator has no poles; the caps beyond are a 26,000th of the Earth
    picture = LandPicture(projection=projection, south_degrees=-limit, north_degrees=limit, fit="stretch")
    sheet = Sheet(columns=1800, rows=1600, width_mm=200.0, height_mm=100.0)
    tone = picture.draw(SkyNumbers(), sheet).mean(axis=1)
    edges = np.clip(picture.latitudes(np.arange(sheet.rows + 1.0), sheet), -limit, limit)
    zones = -np.diff(np.sin(np.radians(edges)))
    assert zones.sum() == pytest.approx(2.0, abs=1e-3)
    assert float((tone * zones).sum() / 2.0) == pytest.approx(FACTBOOK_SHARE, abs=0.005)


@pytest.mark.parametrize("parallel", [30.0, 45.0])
def test_land_has_the_same_share_whatever_the_standard_parallel(parallel: float) -> None:
    square = np.cos(np.radians(parallel)) ** 2
    sheet = Sheet(columns=1800, rows=round(573 / square), width_mm=np.pi * 100, height_mm=100.0 / square)
    tone = LandPicture(projection="equal-area", standard_parallel_degrees=parallel).draw(SkyNumbers(), sheet)
    assert tone.mean() == pytest.approx(FACTBOOK_SHARE, abs=0.006)


Named = dict[str, tuple[float, float]]


def zone_places() -> Named:
    """Longitude and latitude of the principal place of every time zone: zone.tab of the IANA time zone database."""
    text = (resources.files("tzdata") / "zoneinfo" / "zone.tab").read_text("utf-8")
    rows = [line.split("\t") for line in text.splitlines() if not line.startswith("#")]
    return {zone: position(place) for _, place, zone, *_ in rows}


def position(text: str) -> tuple[float, float]:
    """Longitude and latitude from ISO 6709, ±DDMM±DDDMM or ±DDMMSS±DDDMMSS."""
    found = re.fullmatch(r"([+-]\d{2})(\d{2})(\d{2})?([+-]\d{3})(\d{2})(\d{2})?", text)
    assert found
    latitude, longitude = (
        math.copysign(abs(int(degrees)) + int(minutes) / 60 + int(seconds or 0) / 3600, 1 if degrees[0] == "+" else -1)
        for degrees, minutes, seconds in (found.groups()[:3], found.groups()[3:])
    )
    return longitude, latitude


def cities() -> Named:
    """The cities that the ephem library knows."""
    return {name: (float(east), float(north)) for name, (north, east, _) in ephem_cities._city_data.items()}


# From memory: places far out at sea, with the deepest one and the one farthest from any land.
SEA: Named = {
    "Challenger Deep": (142.59, 11.37),
    "farthest from land": (-123.39, -48.88),
    "equator and Greenwich": (0.0, 0.0),
    "mid Atlantic": (-40.0, 30.0),
    "Bay of Bengal": (88.0, 15.0),
    "Tasman Sea": (160.0, -38.0),
    "Gulf of Mexico": (-90.0, 25.5),
    "Norwegian Sea": (0.0, 67.0),
    "Bering Sea": (-178.0, 57.0),
    "south of Chatham": (-176.0, -50.0),
    "Caspian Sea": (51.0, 40.0),
    "Black Sea": (34.0, 43.5),
    "Hudson Bay": (-86.0, 60.0),
}


def share_with_land(places: Named, picture: LandPicture, sheet: Sheet, tone: np.ndarray, reach_degrees: float) -> float:
    """The share of places that have land within a reach along the columns and rows."""
    reach = round(reach_degrees / 360.0 * sheet.columns)
    found = []
    for longitude, latitude in places.values():
        column = int(np.floor(picture.columns(np.array([longitude]), sheet)[0]))
        row = int(np.floor(picture.rows(np.array([latitude]), sheet)[0]))
        if 0 <= row < sheet.rows:
            near = tone[
                max(0, row - reach) : row + reach + 1, np.arange(column - reach, column + reach + 1) % sheet.columns
            ]
            found.append(bool((near > 0.5).any()))
    assert len(found) > 0.85 * len(places)
    return float(np.mean(found))


@pytest.mark.parametrize("projection", STRINGS)
def test_cities_fall_on_land_and_the_sea_on_paper(projection: Projection) -> None:
    """Land is generalised to 1:50 million, so a harbour may stand up to 0.15 degrees off, and the smallest islands
    are not
    drawn: 4 in 100 of the places of time zones are on such."""
    picture = LandPicture(projection=projection, south_degrees=-75.0, north_degrees=80.0, fit="stretch")
    sheet = Sheet(columns=4800, rows=2400, width_mm=360.0, height_mm=180.0)
    tone = picture.draw(SkyNumbers(), sheet)

    def share(places: Named, reach_degrees: float) -> float:
        return share_with_land(places, picture, sheet, tone, reach_degrees)

    assert share(cities(), 0.0) > 0.93
    assert share(cities(), 0.15) == 1.0
    assert share(zone_places(), 0.15) > 0.95
    assert share(SEA, 0.5) == 0.0
    mirrored = {name: (-longitude, latitude) for name, (longitude, latitude) in zone_places().items()}
    assert share(mirrored, 0.15) < 0.5  # the measure is sharp: a map the wrong way round fails it
