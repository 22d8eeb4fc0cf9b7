"""The way in: parameters as JSON, and one function that draws."""

import io
from typing import Any

import numpy as np
import pytest
from PIL import Image

from machines.errors import InputError
from machines.imaging.pictures import (
    PICTURE_KINDS,
    LandPicture,
    MoonDisc,
    Sheet,
    SkyNumbers,
    StarBelt,
    as_json,
    draw,
    from_json,
    thumbnail_png,
)


@pytest.mark.parametrize("picture", [LandPicture(projection="mercator"), StarBelt(ink=0.5), MoonDisc(discs=2)])
def test_parameters_go_to_json_and_come_back(picture: Any) -> None:
    assert from_json(as_json(picture)) == picture


@pytest.mark.parametrize("kind", PICTURE_KINDS)
def test_every_kind_has_defaults_and_says_whether_it_changes(kind: str) -> None:
    picture = from_json({"kind": kind})
    assert as_json(picture)["kind"] == kind
    assert isinstance(picture.changes_with_turn, bool)


def test_only_what_moves_from_turn_to_turn_changes() -> None:
    assert [LandPicture().changes_with_turn, StarBelt().changes_with_turn, MoonDisc().changes_with_turn] == [
        False,
        False,
        True,
    ]


@pytest.mark.parametrize(
    ("data", "field"),
    [
        ({}, "kind"),
        ({"kind": "dragon"}, "kind"),
        ({"kind": ["map"]}, "kind"),
        ("map", "kind"),
        (None, "kind"),
        ({"kind": "map", "projection": "globe"}, "projection"),
        ({"kind": "map", "ink": "1"}, "ink"),
        ({"kind": "map", "inc": 1}, "inc"),
        ({"kind": "moon", "discs": 1.5}, "discs"),
        ({"kind": "stars", "south_degrees": 70, "north_degrees": 60}, "south_degrees"),
    ],
)
def test_bad_parameters_are_refused_by_name(data: Any, field: str) -> None:
    with pytest.raises(InputError) as caught:
        from_json(data)
    assert caught.value.field == field


def test_a_tone_is_what_it_is_said_to_be() -> None:
    sky = SkyNumbers(moon_lit_fraction=0.4, moon_limb_angle_degrees=20.0)
    tone = draw(MoonDisc(diameter_mm=20.0), sky, columns=301, rows=200, width_mm=45.0, height_mm=30.0)
    assert tone.dtype == np.float32
    assert tone.shape == (200, 301)
    assert tone.min() >= 0.0
    assert tone.max() <= 1.0


@pytest.mark.parametrize(
    ("columns", "rows", "width_mm", "field"),
    [
        (1, 100, 100.0, "columns"),
        (100, 0, 100.0, "rows"),
        (100, 100, 0.0, "width_mm"),
        (100_000, 50_000, 100.0, "columns"),
    ],
)
def test_a_sheet_must_be_possible(columns: int, rows: int, width_mm: float, field: str) -> None:
    with pytest.raises(InputError) as caught:
        draw(LandPicture(), SkyNumbers(), columns, rows, width_mm, 50.0)
    assert caught.value.field == field


@pytest.mark.parametrize("travel", ["right", "left"])
def test_a_thumbnail_is_seen_as_the_paper_is(travel: Any) -> None:
    sheet = Sheet(columns=6000, rows=3000, width_mm=500.0, height_mm=250.0, travel=travel)
    png = thumbnail_png(LandPicture(), SkyNumbers(), sheet, width_px=240)
    with Image.open(io.BytesIO(png)) as image:
        assert image.size == (240, 120)
        seen = np.asarray(image)
    east_of_the_middle = seen[30, 120 + 40] if travel == "right" else seen[30, 120 - 40]
    assert east_of_the_middle < 50  # 45 N 60 E is land
    assert seen[60, 5] > 250  # the Pacific


def test_a_thumbnail_of_a_short_turn_on_wide_paper_is_no_tower() -> None:
    sheet = Sheet(columns=100, rows=3000, width_mm=10.0, height_mm=600.0)
    with Image.open(io.BytesIO(thumbnail_png(LandPicture(), SkyNumbers(), sheet))) as image:
        assert image.size == (32, 1920)
