"""Drawn in pieces, a plate has the same dots: as in one piece, and as it had before there were pieces."""

from __future__ import annotations

import hashlib
import io
import json
from itertools import pairwise
from typing import Any

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from PIL import Image

from machines.imaging import pieces as made
from machines.imaging.dot_gain import ToneCurve
from machines.imaging.halftone import Method, dots_of, to_dots
from machines.imaging.pictures import (
    DaylightMap,
    LandPicture,
    MoonDisc,
    Picture,
    SkyNumbers,
    StarBelt,
    WrappedImage,
    YearOfDaylight,
    draw,
    pieces,
)
from machines.imaging.pieces import Piece, bands, whole
from machines.imaging.plate import Plate

PHASES = np.arange(720) / 720
SKY = SkyNumbers(
    moon_lit_fraction=0.37,
    moon_limb_angle_degrees=63.0,
    moon_age_days=5.3,
    subsolar_latitude_degrees=-7.7,
    subsolar_longitude_degrees=33.3,
    sun_declination_degrees=23.4 * np.sin(2 * np.pi * PHASES),
    equation_of_time_minutes=9.0 * np.sin(4 * np.pi * PHASES),
    obliquity_degrees=23.44,
    moon_ra_degrees=np.linspace(300.0, 313.0, 241),
    moon_dec_degrees=np.linspace(-20.0, -17.0, 241),
    star_ra_degrees=np.arange(400) * 137.5 % 360.0,
    star_dec_degrees=np.asarray(np.arange(400) * 61.8 % 130.0 - 65.0, dtype=np.float64),
    star_magnitude=np.arange(400) % 60 / 10.0,
)


def turn(radius: float, longitude: float, latitude: float, corners: int) -> list[list[float]]:
    """A jagged ring."""
    angles = 2 * np.pi * np.arange(corners) / corners
    radii = radius * (1.0 + np.arange(corners) * 7 % 5 / 10.0)
    ring = np.column_stack([longitude + radii * np.cos(angles), latitude + radii * np.sin(angles)]).tolist()
    return [*ring, ring[0]]


SHAPES = json.dumps(
    {
        "type": "GeometryCollection",
        "geometries": [
            {"type": "Polygon", "coordinates": [turn(40, 10, 10, 200), turn(15, 10, 12, 90), turn(4, 38, -5, 30)]},
            {"type": "Polygon", "coordinates": [turn(6, 12, 12, 50)]},
            {"type": "Polygon", "coordinates": [turn(20, 175, -30, 70), turn(9, 178, -30, 30)]},
            {"type": "LineString", "coordinates": turn(30, -80, 20, 80)},
            {"type": "LineString", "coordinates": [[-170, -60], [170, 60], [-20, -80]]},
        ],
    }
).encode()


def photograph(mode: str, size: tuple[int, int]) -> bytes:
    stream, places = io.BytesIO(), np.arange(9 * 13 * 4, dtype=np.uint32) * 40_503 % 251
    grid = Image.fromarray(places.astype(np.uint8).reshape(9, 13, 4))
    grid.resize(size, Image.Resampling.BILINEAR).convert(mode).save(stream, "PNG")
    return stream.getvalue()


PICTURES: dict[str, tuple[Picture, bytes | None]] = {
    "land": (LandPicture(data="land-110m", ink=0.63, projection="mercator", south_degrees=-70.0), None),
    "hatched": (LandPicture(data="land-110m", style="hatching", graticule_degrees=15.0, fit="stretch"), None),
    "coasts": (LandPicture(data="land-110m", style="outline", line_mm=2.7, ink=0.8), None),
    "shapes": (LandPicture(data="upload", ink=0.7, line_mm=1.3), SHAPES),
    "stars": (StarBelt(ecliptic=True, moon_path=True, line_mm=0.9, magnitude_0_mm=7.0), None),
    "moon": (MoonDisc(diameter_mm=50.0), None),
    "moons": (MoonDisc(diameter_mm=21.0, discs=5, caption_mm=5.0, sky_ink=0.3, dark_ink=0.55), None),
    "year": (YearOfDaylight(latitude_degrees=52.0), None),
    "daylight": (DaylightMap(map=LandPicture(data="land-110m", south_degrees=-60.0, ink=0.5)), None),
    "image": (WrappedImage(negative=True), photograph("RGB", (377, 233))),
    "blended": (WrappedImage(fit="turn", blend_mm=33.0), photograph("RGBA", (310, 500))),
    "tall": (WrappedImage(fit="height", mirror=True), photograph("L", (300, 700))),
}
# Columns, rows, and their measures: four, two points and one point to a dot, and far more of one than of the other.
PROFILES: dict[str, tuple[int, int, float, float, Any]] = {
    "coarse": (640, 307, 320.0, 153.5, "right"),
    "middling": (1411, 703, 211.65, 105.45, "left"),
    "fine": (1900, 950, 180.0, 90.0, "right"),
    "wide": (5003, 66, 600.0, 60.0, "left"),
    "short": (190, 900, 180.0, 200.0, "right"),
}
CURVE = ToneCurve(asked=(0.0, 0.1, 0.25, 0.5, 0.75, 1.0), printed=(0.0, 0.17, 0.4, 0.7, 0.9, 1.0))
METHODS: tuple[Method, ...] = ("blue-noise", "diffusion", "ordered", "line-art")


def plate(name: str, profile: str, method: Method, curve: ToneCurve | None = None) -> Plate:
    picture, upload = PICTURES[name]
    columns, rows, width_mm, height_mm, travel = PROFILES[profile]
    tone = pieces(picture, SKY, columns, rows, width_mm, height_mm, travel=travel, upload=upload)
    return Plate(dots_of(tone, rows, columns, method, curve))


# Of each picture the SHA-256 of the digests of its plates, on each profile by each method, without a curve and with it:
# written down when a turn was still drawn whole. A machine holds work that names plates by their digests.
OF_OLD = {
    "land": "a9e7667f696f49a65b85ec352d0d4ac395423091969e38f4fe7263f2e7dbe140",
    "hatched": "6fa3ab9a79f9f48eb3901020fbc451653ab43ad5eb96a06b2e1bef8ba7e3970e",
    "coasts": "26fac0d985643f13d3674fe098cd6e2c88177cd11b30654ebedaa26f42c9776d",
    "shapes": "17eff9d8cf0def013b3105d57ff211b3333fb55fc66f590e532eba14db65b01a",
    "stars": "8d9dcc2163b17576742f85548fd7eba193733fa4eaf45d9ac666e7f04dc478e0",
    "moon": "7d58a2e376c32a21c586a622d87754ed30f395e32a8db2f0e53c0104f2fbe760",
    "moons": "447039239b44eefe80a2ed2efb2ac2ed824a9fa6f12f2e1147c8574416d52d22",
    "year": "b25f210146cdf13c3fc0d06119e3db2a8eaf10f46c2d4517ff5c578bf82473d8",
    "daylight": "ec01ea3a5f6ed122ab9f11979cc5a1fb885fd67025baa33269b18c3aa7437e18",
    "image": "98d8ee0f782ff90f1a6defbf8874e2d6cc66fe1368cf99e58556f08d44a8c4df",
    "blended": "f8a403ebe1b895d65b45c67cfd826b21098fa7cfe88f4e2a9f257522d12c30a7",
    "tall": "89cd96c65bba290f655327deae928dfc8b69a08795daa5d7e89460abeb4779e0",
}


@pytest.mark.parametrize("name", PICTURES)
def test_the_dots_are_those_of_old(name: str) -> None:
    plates = [
        plate(name, profile, method, curve).digest
        for profile in PROFILES
        for method in METHODS
        for curve in (None, CURVE)
    ]
    assert hashlib.sha256("".join(plates).encode()).hexdigest() == OF_OLD[name]


@pytest.mark.parametrize("rows_of_piece", [5, 64, 200])
@pytest.mark.parametrize("name", PICTURES)
def test_a_tone_is_the_same_to_the_last_bit_in_any_pieces(
    name: str, rows_of_piece: int, monkeypatch: pytest.MonkeyPatch
) -> None:
    picture, upload = PICTURES[name]
    for columns, rows, width_mm, height_mm, travel in PROFILES.values():
        monkeypatch.setattr(made, "PIECE_DOTS", columns * rows)
        in_one = draw(picture, SKY, columns, rows, width_mm, height_mm, travel=travel, upload=upload)
        monkeypatch.setattr(made, "PIECE_DOTS", columns * rows_of_piece)
        parts = list(pieces(picture, SKY, columns, rows, width_mm, height_mm, travel=travel, upload=upload))
        assert len(parts) == -(-rows // rows_of_piece)
        assert np.array_equal(whole(parts, rows, columns), in_one)


@settings(max_examples=60, deadline=None)
@given(
    rows=st.integers(1, 150),
    columns=st.integers(1, 400),
    method=st.sampled_from(METHODS),
    curved=st.booleans(),
    data=st.data(),
)
def test_dots_are_the_same_in_any_pieces(
    rows: int, columns: int, method: Method, curved: bool, data: st.DataObject
) -> None:
    """A diffusion runs on over the edges between them, and round the closing."""
    places = np.arange(rows * columns, dtype=np.uint64).reshape(rows, columns)
    tone = np.clip((places * np.uint64(2_654_435_761) % 1000) / 800.0 - 0.1, 0.0, 1.0).astype(np.float32)
    edges = [0, *sorted(data.draw(st.sets(st.integers(1, rows), max_size=6)) | {rows})]
    parts = [Piece(top, tone[top:end]) for top, end in pairwise(edges)]
    curve = CURVE if curved else None
    assert np.array_equal(dots_of(parts, rows, columns, method, curve), to_dots(tone, method, curve))


@pytest.mark.parametrize(("rows", "columns"), [(1, 2), (7200, 14_400), (100, 3_000_000), (2953, 5906), (9000, 300)])
def test_pieces_make_up_the_turn_and_are_small(rows: int, columns: int) -> None:
    found = list(bands(rows, columns))
    assert [0, *(end for _, end in found)] == [*(top for top, _ in found), rows]
    assert all(0 < (end - top) * columns <= max(2_000_000, columns) for top, end in found)
    whole_steps = [end - top for top, end in found[:-1]]
    assert all(step % 64 == 0 for step in whole_steps) or 64 * columns > 2_000_000
