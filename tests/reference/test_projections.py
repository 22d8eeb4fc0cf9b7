"""Our maps against published numbers, and against pyproj itself over random places."""

import numpy as np
import pytest
from pyproj import Proj

from machines.pictures import LandPicture, Sheet
from machines.pictures.projections import Projection, parallels


def plane(picture: LandPicture, longitude: float, latitude: float, radius: float = 1.0) -> tuple[float, float]:
    """Easting and northing from the centre of the map, as a textbook has them, read back from columns and rows."""
    turn = 2 * np.pi * radius
    sheet = Sheet(columns=360_000, rows=100, width_mm=turn, height_mm=turn / 2)
    column = picture.columns(np.array([longitude]), sheet)[0]
    row = picture.rows(np.array([latitude]), sheet)[0]
    return float(turn / 2 - column * sheet.column_mm), float((sheet.rows / 2 - row) * sheet.row_mm)


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
    sphere of 6378137 m, 24°22'54.433\" N 100°20'00.000\" W."""
    latitude = 24 + 22 / 60 + 54.433 / 3600
    east, north = plane(LandPicture(projection="mercator"), -(100 + 20 / 60), latitude, radius=6378137.0 / 1e5)
    assert (east * 1e5, north * 1e5) == pytest.approx((-11169055.58, 2800000.00), abs=0.01)


def test_i5_equirectangular() -> None:
    """PROJ's own tests (test/gie/builtins.gie), sphere of 6400000 m, 1° N 2° E; and the easting of IOGP GN 7-2, 3.2.5,
    WGS 84, 10° E (its northing is for the ellipsoid; our maps are drawn on a sphere)."""
    east, north = plane(LandPicture(), 2.0, 1.0, radius=64.0)
    assert (east * 1e5, north * 1e5) == pytest.approx((223402.144255274, 111701.072127637), abs=0.01)
    east, _ = plane(LandPicture(), 10.0, 55.0, radius=63.78137)
    assert east * 1e5 == pytest.approx(1113194.91, abs=0.01)


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
