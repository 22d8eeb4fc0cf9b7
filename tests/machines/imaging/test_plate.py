"""A plate is its dots: the digest names them, the PNG carries them."""

from __future__ import annotations

import hashlib
import io

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from hypothesis.extra import numpy as numpy_strategies
from PIL import Image

from machines.errors import InputError
from machines.imaging import plate as plate_module
from machines.imaging.plate import Plate

dot_arrays = numpy_strategies.arrays(np.bool_, st.tuples(st.integers(1, 40), st.integers(1, 40)))


def random_plate(seed: int = 1) -> Plate:
    return Plate(np.random.default_rng(seed).random((37, 101)) < 0.5)


@given(dot_arrays)
def test_png_there_and_back_is_the_same_dots(dots: np.ndarray) -> None:
    plate = Plate(dots)
    again = Plate.from_png(plate.to_png())
    assert (again.dots == dots).all()
    assert again.digest == plate.digest


def test_a_dot_is_black() -> None:
    dots = np.zeros((8, 9), dtype=np.bool_)
    dots[2, 5] = True
    with Image.open(io.BytesIO(Plate(dots).to_png())) as image:
        assert image.mode == "1"
        assert image.size == (9, 8)
        assert image.getpixel((5, 2)) == 0
        assert image.getpixel((5, 3)) == 255


def test_the_digest_is_the_one_described() -> None:
    dots = np.zeros((2, 9), dtype=np.bool_)
    dots[0, 0] = dots[1, 8] = True
    described = b"dayroll-plate/1 2 9\n" + bytes([0b10000000, 0, 0, 0b10000000])
    assert Plate(dots).digest == hashlib.sha256(described).hexdigest()


def test_the_digest_tells_shapes_apart_that_pack_alike() -> None:
    digests = {Plate(np.zeros(shape, dtype=np.bool_)).digest for shape in ((8, 8), (8, 7), (4, 16), (8, 1), (1, 64))}
    assert len(digests) == 5


@given(dot_arrays, st.data())
def test_another_dot_is_another_digest(dots: np.ndarray, data: st.DataObject) -> None:
    row, column = (data.draw(st.integers(0, size - 1)) for size in dots.shape)
    other = dots.copy()
    other[row, column] ^= True
    assert Plate(other).digest != Plate(dots).digest


def test_the_digest_does_not_depend_on_the_png_around_the_dots() -> None:
    plate = random_plate()
    stream = io.BytesIO()
    with Image.open(io.BytesIO(plate.to_png())) as image:
        image.save(stream, "PNG", compress_level=0)
    assert stream.getvalue() != plate.to_png()
    assert Plate.from_png(stream.getvalue()).digest == plate.digest


@given(st.integers(-500, 500), st.integers(0, 300))
def test_running_columns_go_round(first: int, count: int) -> None:
    plate = random_plate()
    dots = plate.running(first, first + count)
    assert dots.shape == (37, count)
    for index, column in enumerate(range(first, first + count)):
        assert (dots[:, index] == plate.dots[:, column % 101]).all()


def test_the_dots_cannot_be_changed() -> None:
    with pytest.raises(ValueError, match="read-only"):
        random_plate().dots[0, 0] = True


@pytest.mark.parametrize("dots", [np.zeros(8, dtype=np.bool_), np.zeros((8, 8), dtype=np.uint8)])
def test_what_is_no_plate_is_refused(dots: np.ndarray) -> None:
    with pytest.raises(ValueError, match="bool"):
        Plate(dots)


def test_a_png_cut_short_is_refused() -> None:
    png = random_plate().to_png()
    for length in (0, 8, 40, len(png) // 2):
        with pytest.raises(InputError, match="not a whole PNG"):
            Plate.from_png(png[:length])


def test_a_picture_of_another_kind_is_refused() -> None:
    stream = io.BytesIO()
    Image.new("L", (9, 9)).save(stream, "PNG")
    with pytest.raises(InputError, match="mode L"):
        Plate.from_png(stream.getvalue())
    stream = io.BytesIO()
    Image.new("RGB", (9, 9)).save(stream, "JPEG")
    with pytest.raises(InputError):
        Plate.from_png(stream.getvalue())


def test_a_picture_larger_than_any_machine_is_refused(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(plate_module, "LARGEST_PLATE_DOTS", 37 * 101 - 1)
    with pytest.raises(InputError, match=r"\(101, 37\)"):
        Plate.from_png(random_plate().to_png())


def test_what_is_large_for_a_photograph_is_no_large_plate(monkeypatch: pytest.MonkeyPatch) -> None:
    """Pillow warns of a picture above a bound of its own, and refuses one of twice as much."""
    monkeypatch.setattr(Image, "MAX_IMAGE_PIXELS", 100)
    plate = random_plate()
    assert Plate.from_png(plate.to_png()).digest == plate.digest
