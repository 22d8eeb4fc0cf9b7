"""Maps: what stands where, with and without the date line and the poles."""

import json
from typing import Any

import numpy as np
import pytest

from machines.errors import InputError
from machines.imaging.pictures import LandPicture, Sheet, SkyNumbers

SHEET = Sheet(columns=720, rows=360, width_mm=360.0, height_mm=180.0)
SKY = SkyNumbers()


def at(tone: np.ndarray, longitude: float, latitude: float, picture: Any = None, sheet: Sheet = SHEET) -> Any:
    """The tone at a place."""
    picture = picture or LandPicture()
    column = int(picture.columns(np.array([longitude]), sheet)[0]) % sheet.columns
    row = int(picture.rows(np.array([latitude]), sheet)[0])
    return float(tone[row, column])


def draw(*polygons: Any, sheet: Sheet = SHEET, **parameters: Any) -> Any:
    upload = json.dumps({"type": "MultiPolygon", "coordinates": list(polygons)}).encode()
    return LandPicture(data="upload", **parameters).draw(SKY, sheet, upload)


def box(west: float, south: float, east: float, north: float) -> Any:
    return [[west, south], [east, south], [east, north], [west, north], [west, south]]


@pytest.fixture(scope="module")
def world() -> Any:
    return LandPicture().draw(SKY, SHEET)


def test_phase_runs_westward_from_the_date_line() -> None:
    picture = LandPicture()
    assert picture.columns(np.array([180.0, 90.0, 0.0, -180.0]), SHEET).tolist() == [0, 180, 360, 720]
    assert picture.rows(np.array([90.0, 0.0, -90.0]), SHEET).tolist() == [0, 180, 360]


# Places that lie far inside land or sea, from memory; a coast is checked in tests/reference.
LAND = [(-100, 40), (20, 10), (100, 60), (135, -25), (-60, -10), (25, 65)]
SEA = [(-150, 0), (-30, 30), (80, -30), (0, 0), (0, 89.5), (50.5, 42)]  # the last one in the Caspian Sea
CHUKOTKA = [(179, 68), (-179.5, 67.5), (-175, 66.5), (175, 68)]
ANTARCTICA = [(0, -85), (179.9, -88), (-179.9, -88), (90, -75), (-90, -80), (-0.1, -89.7), (179.9, -89.7)]


@pytest.mark.parametrize("place", [*LAND, *CHUKOTKA, *ANTARCTICA])
def test_land_is_inked(world: np.ndarray, place: tuple[float, float]) -> None:
    assert at(world, *place) == 1.0


@pytest.mark.parametrize("place", SEA)
def test_sea_is_paper(world: np.ndarray, place: tuple[float, float]) -> None:
    assert at(world, *place) == 0.0


def test_fiji_stands_on_both_sides_of_the_date_line_and_nowhere_else() -> None:
    sheet = Sheet(columns=7200, rows=800, width_mm=360.0, height_mm=40.0)
    picture = LandPicture(south_degrees=-18.5, north_degrees=-15.5)
    tone = picture.draw(SKY, sheet)
    assert at(tone, 178.0, -17.8, picture, sheet) == 1.0  # Viti Levu
    assert at(tone, 179.3, -16.6, picture, sheet) == 1.0  # Vanua Levu
    taveuni = tone[:, [*range(7195, 7200), *range(5)]]
    assert taveuni.any()
    band = tone[tone.any(axis=1)]
    assert not band[:, 1500:2500].all(axis=1).any()  # no stripe round the Earth at an island's latitude


def test_an_island_in_a_lake_is_not_erased_by_the_lake() -> None:
    lake_land = [box(-20, -20, 20, 20), box(-10, -10, 10, 10)]
    island = [box(-5, -5, 5, 5)]
    for polygons in ([lake_land, island], [island, lake_land]):
        tone = draw(*polygons)
        assert [at(tone, 0, 0), at(tone, 8, 0), at(tone, 15, 0), at(tone, 30, 0)] == [1, 0, 1, 0]


def test_a_lake_over_the_date_line_is_cut_out() -> None:
    tone = draw([box(160, -20, -160, 20), box(-175, -10, 175, 10)])  # the hole's corners in another order and turn
    assert [at(tone, 179, 0), at(tone, -179, 0), at(tone, 170, 0), at(tone, -170, 0)] == [0, 0, 1, 1]
    tone = draw([box(160, -20, 200, 20), box(-185, -10, -175, 10)])
    assert [at(tone, 179, 0), at(tone, -179, 0), at(tone, 170, 0), at(tone, -170, 0)] == [0, 0, 1, 1]


def test_the_seam_cuts_nothing() -> None:
    """The same shape is drawn alike, dot for dot, wherever the closing of the turn falls."""
    shapes = [[[170.3, 11.0], [-171.0, 3.0], [-165.5, 30.0], [170.3, 11.0]]]
    here = draw(shapes)
    moved = draw(shapes, central_meridian_degrees=90.0)
    assert here.any()
    assert np.array_equal(np.roll(here, 180, axis=1), moved)


def test_a_shape_in_longitudes_from_0_to_360_is_the_same() -> None:
    assert np.array_equal(draw([box(190, 0, 200, 10)]), draw([box(-170, 0, -160, 10)]))


def test_area_is_what_it_should_be() -> None:
    tone = draw([box(-30, 10, 60, 40)])
    assert tone.sum() == pytest.approx(180 * 60, rel=0.02)


def test_true_fit_keeps_both_scales_alike_and_leaves_margins() -> None:
    sheet = Sheet(columns=720, rows=500, width_mm=360.0, height_mm=250.0)
    picture = LandPicture()
    assert np.diff(picture.rows(np.array([10.0, 0.0]), sheet))[0] == pytest.approx(20.0)
    tone = picture.draw(SKY, sheet)
    assert not tone[:70].any()
    assert not tone[-70:].any()
    assert tone[-71].any()


def test_stretch_fit_sets_the_limits_on_the_edges() -> None:
    picture = LandPicture(projection="mercator", fit="stretch", south_degrees=-56.0, north_degrees=72.0)
    sheet = Sheet(columns=700, rows=100, width_mm=360.0, height_mm=180.0)
    assert picture.rows(np.array([72.0, -56.0]), sheet) == pytest.approx([0.0, 100.0], abs=1e-9)


def test_nothing_is_drawn_beyond_the_limits() -> None:
    tone = draw([box(-180, -90, 180, 90)], south_degrees=-30.0, north_degrees=60.0)
    picture = LandPicture(south_degrees=-30.0, north_degrees=60.0)
    inked = np.flatnonzero(tone.any(axis=1))
    assert inked[[0, -1]].tolist() == [round(picture.rows(np.array([60.0]), SHEET)[0]), 269]
    assert tone[inked].all()


def test_ink_is_the_tone_of_the_land() -> None:
    assert np.unique(draw([box(-180, -90, 180, 90)], ink=0.45)) == pytest.approx([0.45])


def test_a_line_is_as_wide_as_it_should_be() -> None:
    upload = json.dumps({"type": "LineString", "coordinates": [[10, -50], [10, 50]]}).encode()
    tone = LandPicture(data="upload", line_mm=2.0).draw(SKY, SHEET, upload)
    assert tone[180].sum() == pytest.approx(4.0, abs=0.5)


REFUSED = [
    ({"south_degrees": 10.0, "north_degrees": 10.0}, "south_degrees"),
    ({"south_degrees": -91.0}, "south_degrees"),
    ({"south_degrees": 10.0, "north_degrees": 10.05}, "south_degrees"),
    ({"ink": 1.5}, "ink"),
    ({"line_mm": 0.0}, "line_mm"),
    ({"central_meridian_degrees": float("inf")}, "central_meridian_degrees"),
    ({"projection": "mercator", "fit": "stretch"}, "south_degrees"),
    ({"projection": "mercator", "standard_parallel_degrees": 30.0}, "standard_parallel_degrees"),
]


@pytest.mark.parametrize(("parameters", "field"), REFUSED)
def test_parameters_are_checked_at_the_door(parameters: Any, field: str) -> None:
    with pytest.raises(InputError) as caught:
        LandPicture(**parameters)
    assert caught.value.field == field


def test_an_upload_is_checked_at_the_door() -> None:
    picture = LandPicture(data="upload")
    with pytest.raises(InputError, match="upload: missing"):
        picture.check_upload(None)
    with pytest.raises(InputError) as caught:
        picture.check_upload(b'{"type": "Polygon", "coordinates": [[[0,0],[1,1],[2,2],[3,3]]]}')
    assert caught.value.field == "upload.coordinates[0][3]"
    LandPicture().check_upload(None)


def test_files_that_cover_the_map_without_end_are_refused() -> None:
    with pytest.raises(InputError, match="more than 200 times"):
        draw(*[[box(-180, -90, 180, 90)]] * 250)
    holes = [box(-85, -80, 85, 80)] * 40
    with pytest.raises(InputError, match="more than 8 times"):
        draw([box(-180, -90, 180, 90), *holes])


def test_a_hostile_polygon_takes_no_more_memory_than_the_sheet() -> None:
    """A hole makes a stencil of the polygon's size; a sheet that shows a sliver of it must not make it a giant."""
    sheet = Sheet(columns=720, rows=360, width_mm=360.0, height_mm=180.0)
    world = [box(-180, -90, 180, 90), box(-10, 0.1, 10, 0.2)]
    tone = draw(world, sheet=sheet, fit="stretch", south_degrees=0.0, north_degrees=0.4)
    assert at(tone, 90, 0.3, LandPicture(fit="stretch", south_degrees=0.0, north_degrees=0.4)) == 1.0
    assert tone[:, 360].min() == 0.0


def test_an_outline_is_drawn_along_the_coast_only() -> None:
    split = [[[170, -20], [180, -20], [180, 20], [170, 20], [170, -20]]]
    tone = draw(split, style="outline", line_mm=1.0)
    assert at(tone, 170, 0) > 0.4
    assert at(tone, 175, 19.9) > 0.4
    assert at(tone, 175, 0) == 0.0
    assert at(tone, 179.9, 0) == 0.0  # where the file was cut is no coast


def test_antarctica_is_outlined_without_a_stroke_to_the_pole() -> None:
    tone = LandPicture(style="outline").draw(SKY, SHEET)
    assert not tone[-9:].any()  # south of 85.5 degrees there is no coast
    assert tone[:, 0].sum() < 20


def test_hatching_is_lines_within_a_coast_and_closes() -> None:
    tone = draw([box(-180, -90, 180, 90)], style="hatching", hatching_mm=7.0, line_mm=1.0)
    inner = tone[2:-2, 2:-2]
    assert 0.1 < inner.mean() < 0.2
    steps = np.abs(tone[2:-2] - np.roll(tone[2:-2], 1, axis=1)).mean(axis=0)
    assert steps[1:].min() - 1e-6 <= steps[0] <= steps[1:].max() + 1e-6
    assert not draw([box(0, 0, 40, 40)], style="hatching")[:, :250].any()


def test_a_graticule_stands_at_whole_degrees_and_the_closing_has_its_meridian() -> None:
    tone = draw([box(0, 0, 1, 1)], graticule_degrees=30.0, graticule_ink=0.5, line_mm=1.0)
    row = tone[75]  # between two parallels
    inked = [column for column in range(720) if row[column] >= 0.25]
    assert {round(column / 60) % 12 for column in inked} == set(range(12))
    assert row.sum() == pytest.approx(12 * 2 * 0.5, rel=0.15)
    assert row[[0, -1]].min() > 0.0
    assert tone.max() == 1.0


def test_a_graticule_is_seen_only_where_it_is_darker_than_the_land() -> None:
    plain = draw([box(-90, -60, 90, 60)], ink=0.7)
    ruled = draw([box(-90, -60, 90, 60)], ink=0.7, graticule_degrees=15.0)
    assert np.array_equal(plain[plain > 0.69], ruled[plain > 0.69])
    assert not np.array_equal(plain, ruled)


@pytest.mark.parametrize("projection", ["equirectangular", "mercator", "miller", "equal-area", "gall-stereographic"])
def test_every_projection_draws_the_world(projection: str) -> None:
    picture = LandPicture(projection=projection, south_degrees=-60.0, north_degrees=70.0, fit="stretch")
    tone = picture.draw(SKY, SHEET)
    for place in [(-100, 40), (20, 10), (100, 60), (135, -25), (-60, -10), (179, 67.8), (-179.5, 67.5)]:
        assert at(tone, *place, picture) == 1.0
    for place in [(-150, 0), (-30, 30), (80, -30), (0, 0), (-179, 50)]:
        assert at(tone, *place, picture) == 0.0


@pytest.mark.parametrize("degrees", [7.0, 0.1, -15.0, float("nan")])
def test_a_graticule_that_does_not_close_is_refused(degrees: float) -> None:
    with pytest.raises(InputError) as caught:
        LandPicture(graticule_degrees=degrees)
    assert caught.value.field == "graticule_degrees"


def test_a_long_edge_is_straight_in_longitude_and_latitude_on_every_map() -> None:
    """Halfway along an edge from (0, 0) to (80, 80) is (40, 40), which on Mercator is not half way up the paper."""
    for projection in ("equirectangular", "mercator", "equal-area"):
        picture = LandPicture(projection=projection, fit="stretch", south_degrees=-80.0, north_degrees=80.0)
        tone = draw(
            [[[0, 0], [80, 0], [80, 80], [0, 0]]],
            projection=projection,
            fit="stretch",
            south_degrees=-80.0,
            north_degrees=80.0,
        )
        assert at(tone, 40, 38.5, picture) == 1.0
        assert at(tone, 40, 41.5, picture) == 0.0
