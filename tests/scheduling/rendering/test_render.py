"""Every kind of picture comes out of the darkroom as a plate of its machine."""

from __future__ import annotations

import io
import json
from datetime import UTC, datetime
from typing import Any

import numpy as np
import pytest
from PIL import Image

from machines.errors import InputError
from machines.imaging.dot_gain import ToneCurve
from machines.imaging.pictures import PICTURE_KINDS, from_json
from machines.model.profile import Profile
from machines.serialization import structure
from scheduling.rendering.render import RenderSource, draw_plate, draw_tone, needs_upload
from scheduling.rendering.sky_parameters import turn_at
from scheduling.sky import cycles
from scheduling.sky.places import Place
from tests.scheduling.house import PROFILE

MACHINE = structure(PROFILE, Profile)
LISBON = Place(38.7, -9.1)
CYCLES = {"stars": "sidereal-day", "moon": "lunar-day", "year-of-daylight": "tropical-year"}


def grey_png(shade: int = 128, size: tuple[int, int] = (60, 20)) -> bytes:
    stream = io.BytesIO()
    Image.new("L", size, shade).save(stream, "PNG")
    return stream.getvalue()


SQUARE = json.dumps(
    {"type": "Polygon", "coordinates": [[[-45.0, -30.0], [45.0, -30.0], [45.0, 30.0], [-45.0, 30.0], [-45.0, -30.0]]]}
).encode()
ONE_OF_EACH: dict[str, tuple[dict[str, Any], bytes | None]] = {
    "map": ({"data": "land-110m"}, None),
    "stars": ({"ecliptic": True, "moon_path": True}, None),
    "moon": ({"diameter_mm": 15.0}, None),
    "year-of-daylight": ({"latitude_degrees": 38.7}, None),
    "daylight-map": ({"map": {"data": "upload", "ink": 0.6}}, SQUARE),
    "image": ({}, grey_png()),
}


def original(kind: str, **fields: Any) -> RenderSource:
    parameters, upload = ONE_OF_EACH[kind]
    if "map" in parameters:
        parameters = parameters | {"map": parameters["map"] | {"kind": "map"}}
    return RenderSource(picture=from_json(parameters | {"kind": kind}), upload=upload, **fields)


def plate_of(what: RenderSource, kind: str, at: str = "2026-10-24T12:00:00+00:00") -> np.ndarray:
    cycle = cycles.get(CYCLES.get(kind, "apparent-solar-day"))
    turn = turn_at(cycle, datetime.fromisoformat(at))
    return draw_plate(what, MACHINE, turn, LISBON).dots


def test_there_is_one_of_each_kind() -> None:
    assert set(ONE_OF_EACH) == set(PICTURE_KINDS)


@pytest.mark.parametrize("kind", PICTURE_KINDS)
def test_each_kind_is_drawn(kind: str) -> None:
    dots = plate_of(original(kind), kind)
    assert dots.shape == (MACHINE.dots_across, MACHINE.columns_per_turn)
    assert 0.01 < dots.mean() < 0.99
    assert np.array_equal(plate_of(original(kind), kind), dots)


@pytest.mark.parametrize("kind", PICTURE_KINDS)
def test_what_changes_with_the_turn_is_another_plate_another_time(kind: str) -> None:
    what = original(kind)
    later = plate_of(what, kind, "2028-04-04T12:00:00+00:00")
    if what.picture.changes_with_turn and kind != "year-of-daylight":  # two years differ by less than a dot here
        assert not np.array_equal(later, plate_of(what, kind))
    if kind in ("map", "image"):
        assert np.array_equal(later, plate_of(what, kind))


def test_the_sun_stands_where_the_map_has_no_night() -> None:
    """At 12:00 UTC of 24 October the Sun is 16 minutes ahead, 4 degrees west of Greenwich, at the middle column."""
    parameters = {"kind": "daylight-map", "map": {"kind": "map", "data": "land-110m", "ink": 0.0}}
    turn = turn_at(cycles.get("apparent-solar-day"), datetime(2026, 10, 24, 12, tzinfo=UTC))
    tone = draw_tone(RenderSource(picture=from_json(parameters)), MACHINE, turn, None)
    columns = tone.shape[1]
    lit = np.flatnonzero(tone[tone.shape[0] // 2] == 0.0)
    assert lit.mean() == pytest.approx(columns / 2, abs=2)  # the turn's middle is when the Sun is over Greenwich
    assert len(lit) == pytest.approx(columns / 2, abs=4)


def test_a_curve_makes_a_tint_lighter_by_what_the_dots_gain() -> None:
    curve = ToneCurve(asked=(0.0, 0.5, 1.0), printed=(0.0, 0.7, 1.0))
    plain, corrected = original("image"), original("image", curve=curve)
    asked, undone = plate_of(plain, "image").mean(), plate_of(corrected, "image").mean()
    assert undone == pytest.approx(curve.corrected(np.array([asked], dtype=np.float32))[0], abs=0.01)
    assert undone < asked


@pytest.mark.parametrize("method", ["blue-noise", "diffusion", "ordered"])
def test_a_method_keeps_the_tone_in_dots_of_its_own(method: Any) -> None:
    tone = 1.0 - ((128 / 255 + 0.055) / 1.055) ** 2.4  # of grey 128 in linear light, IEC 61966-2-1
    dots = plate_of(original("image", method=method), "image")
    assert dots.mean() == pytest.approx(tone, abs=0.01)
    others = {"blue-noise", "diffusion", "ordered"} - {method}
    assert all(not np.array_equal(plate_of(original("image", method=other), "image"), dots) for other in others)


def test_line_art_has_no_tones() -> None:
    assert plate_of(original("image", method="line-art"), "image").all()


def test_a_picture_without_its_upload_is_refused() -> None:
    with pytest.raises(InputError, match="upload"):
        plate_of(RenderSource(picture=from_json({"kind": "image"})), "image")


@pytest.mark.parametrize(
    ("picture", "needed"),
    [
        ({"kind": "image"}, True),
        ({"kind": "map"}, False),
        ({"kind": "map", "data": "upload"}, True),
        ({"kind": "daylight-map"}, False),
        ({"kind": "daylight-map", "map": {"kind": "map", "data": "upload"}}, True),
        ({"kind": "stars"}, False),
    ],
)
def test_which_pictures_are_drawn_from_a_file(picture: dict[str, Any], needed: bool) -> None:
    assert needs_upload(from_json(picture)) == needed
