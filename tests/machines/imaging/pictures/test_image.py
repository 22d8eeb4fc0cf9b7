"""Uploaded images: every odd kind is printed right or refused by name."""

import io
import struct
import zlib
from typing import Any

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from PIL import Image

from machines.errors import InputError
from machines.imaging.pictures import Sheet, SkyNumbers, WrappedImage, seam_visibility
from machines.imaging.pictures import image_file as reader
from machines.imaging.pictures.image_file import decoded, read_light

SHEET = Sheet(columns=400, rows=100, width_mm=40.0, height_mm=10.0)
SKY = SkyNumbers()


def saved(image: Image.Image, kind: str = "PNG", **options: Any) -> bytes:
    stream = io.BytesIO()
    image.save(stream, kind, **options)
    return stream.getvalue()


def ramp(width: int = 64, height: int = 16) -> np.ndarray:
    return np.tile(np.linspace(0, 255, width).round().astype(np.uint8), (height, 1))


def draw(data: bytes, sheet: Sheet = SHEET, **parameters: Any) -> np.ndarray:
    return WrappedImage(**parameters).draw(SKY, sheet, data)


def linear(values: Any) -> np.ndarray:
    return decoded(np.asarray(values, dtype=np.float32) / 255)


GREY = Image.fromarray(ramp())
KINDS = {
    "grey png": saved(GREY),
    "colour png": saved(GREY.convert("RGB")),
    "palette png": saved(GREY.convert("P")),
    "grey with alpha": saved(GREY.convert("LA")),
    "colour with alpha": saved(GREY.convert("RGBA")),
    "16 bit png": saved(Image.fromarray(ramp().astype(np.uint16) * 257)),
    "tiff": saved(GREY, "TIFF"),
    "packed tiff": saved(GREY.convert("RGB"), "TIFF", compression="tiff_deflate"),
    "16 bit tiff": saved(Image.fromarray(ramp().astype(np.uint16) * 257), "TIFF"),
    "cmyk tiff": saved(GREY.convert("RGB").convert("CMYK"), "TIFF"),
}


@pytest.mark.parametrize("name", KINDS)
def test_every_lossless_kind_gives_the_same_light(name: str) -> None:
    assert read_light(KINDS[name]) == pytest.approx(linear(ramp()), abs=1e-5)


@pytest.mark.parametrize("mode", ["L", "RGB", "CMYK"])
def test_jpeg_gives_nearly_the_same(mode: str) -> None:
    image = GREY.convert("RGB").convert(mode)
    assert read_light(saved(image, "JPEG", quality=95)) == pytest.approx(linear(ramp()), abs=0.03)


def test_of_a_photograph_with_others_beside_it_the_first_is_taken() -> None:
    """As phones keep them: depths and previews stand behind it, and nobody gave a second image."""
    photograph = saved(GREY, "MPO", quality=95, save_all=True, append_images=[Image.new("L", (8, 8))])
    assert read_light(photograph) == pytest.approx(linear(ramp()), abs=0.03)


def test_black_and_white() -> None:
    image = Image.fromarray(ramp() > 127)
    assert np.array_equal(read_light(saved(image)), (ramp() > 127).astype(np.float32))


def test_half_covered_in_srgb_is_188() -> None:
    """0.5 in linear light is written as 188 of 255 in sRGB (IEC 61966-2-1, from memory)."""
    assert linear(188) == pytest.approx(0.5, abs=0.003)
    assert linear([0, 255]) == pytest.approx([0.0, 1.0])


def test_colours_have_their_luminance() -> None:
    colours = np.array([[[255, 0, 0], [0, 255, 0], [0, 0, 255], [255, 255, 255]]], dtype=np.uint8)
    assert read_light(saved(Image.fromarray(colours)))[0] == pytest.approx([0.2126, 0.7152, 0.0722, 1.0], abs=1e-5)


def test_transparent_places_show_paper() -> None:
    pixels = np.array([[[0, 0, 0, 0], [0, 0, 0, 255], [0, 0, 0, 128]]], dtype=np.uint8)
    assert read_light(saved(Image.fromarray(pixels)))[0] == pytest.approx([1.0, 0.0, 127 / 255], abs=1e-4)
    palette = Image.fromarray(np.array([[0, 1]], dtype=np.uint8)).convert("P")
    palette.putpalette([0, 0, 0, 0, 0, 0])
    assert read_light(saved(palette, transparency=0))[0] == pytest.approx([1.0, 0.0])


def test_the_cameras_orientation_is_applied() -> None:
    exif = Image.Exif()
    exif[0x0112] = 6  # to be turned by a quarter, clockwise
    turned = read_light(saved(GREY, "JPEG", quality=95, exif=exif))
    assert turned.shape == (64, 16)
    assert turned[0].mean() < 0.01 < 0.9 < turned[-1].mean()


@pytest.mark.parametrize("pixels", [1, 16, 1000])
def test_strips_meet(pixels: int, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(reader, "_STRIP_PIXELS", pixels)
    image = np.random.default_rng(1).integers(0, 256, (407, 5), dtype=np.uint8)
    assert read_light(saved(Image.fromarray(image))) == pytest.approx(linear(image), abs=1e-6)


def bomb(width: int, height: int) -> bytes:
    """A small PNG that says it is large, and would be."""

    def chunk(name: bytes, body: bytes) -> bytes:
        return struct.pack(">I", len(body)) + name + body + struct.pack(">I", zlib.crc32(name + body))

    head = struct.pack(">IIBBBBB", width, height, 8, 0, 0, 0, 0)
    body = zlib.compress(bytes(100_000))
    return b"\x89PNG\r\n\x1a\n" + chunk(b"IHDR", head) + chunk(b"IDAT", body) + chunk(b"IEND", b"")


@pytest.mark.parametrize("size", [(500_001, 2), (2, 500_001)])
def test_what_is_very_long_is_refused_before_it_is_decoded(size: tuple[int, int]) -> None:
    with pytest.raises(InputError, match="at most 500,000 along a side"):
        read_light(bomb(*size))


@pytest.mark.parametrize("size", [(9000, 9000), (12_000, 10_000), (30_000, 30_000), (2**31 - 1, 2**31 - 1)])
def test_bombs_are_refused_before_they_are_decoded(size: tuple[int, int]) -> None:
    with pytest.raises(InputError, match="80,000,000 pixels"):
        read_light(bomb(*size))


def pages() -> bytes:
    stream = io.BytesIO()
    GREY.save(stream, "TIFF", save_all=True, append_images=[GREY])
    return stream.getvalue()


REFUSED = {
    "nothing": (b"", "not a whole"),
    "text": (b"<svg></svg>", "not a whole"),
    "gif": (saved(GREY, "GIF"), "not a whole"),
    "bmp": (saved(GREY, "BMP"), "not a whole"),
    "two pages": (pages(), "more than one page"),
    "floating point": (saved(Image.fromarray(ramp().astype(np.float32)), "TIFF"), "mode F cannot"),
    "32 bits": (saved(Image.fromarray(ramp().astype(np.int32)), "TIFF"), "mode I cannot"),
    "lab": (saved(Image.new("LAB", (8, 8)), "TIFF"), "mode LAB cannot"),
}


@pytest.mark.parametrize("name", REFUSED)
def test_what_cannot_be_printed_is_refused_by_name(name: str) -> None:
    data, problem = REFUSED[name]
    with pytest.raises(InputError, match=problem):
        read_light(data)


# Pillow warns of damaged tags, and reads on where it can.
reads_on = pytest.mark.filterwarnings("ignore::UserWarning:PIL.TiffImagePlugin")


@reads_on
@pytest.mark.parametrize("name", ["grey png", "colour png", "16 bit png", "packed tiff"])
@pytest.mark.parametrize("share", [0.1, 0.5, 0.9])
def test_a_file_cut_short_is_refused(name: str, share: float) -> None:
    noise = np.random.default_rng(1).integers(0, 256, (64, 64), dtype=np.uint8)
    options = {"compression": "tiff_deflate"} if "tiff" in name else {}
    data = saved(Image.fromarray(noise), "TIFF" if "tiff" in name else "PNG", **options)
    with pytest.raises(InputError, match="not a whole"):
        read_light(data[: int(len(data) * share)])


@reads_on
@settings(max_examples=60, deadline=None)
@given(data=st.data(), name=st.sampled_from(sorted(KINDS)))
def test_a_damaged_file_is_read_or_refused_and_nothing_else(data: st.DataObject, name: str) -> None:
    damaged = bytearray(KINDS[name])
    for _ in range(data.draw(st.integers(1, 8))):
        damaged[data.draw(st.integers(0, len(damaged) - 1))] = data.draw(st.integers(0, 255))
    try:
        light = read_light(bytes(damaged))
    except InputError:
        return
    assert np.isfinite(light).all()


def test_a_file_too_large_is_not_opened(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(reader, "LARGEST_IMAGE_BYTES", 10)
    with pytest.raises(InputError, match="at most 10 bytes"):
        read_light(KINDS["grey png"])


@pytest.mark.parametrize(("travel", "mirror"), [("right", False), ("left", False), ("right", True), ("left", True)])
def test_it_is_seen_as_in_the_file(travel: Any, mirror: bool) -> None:
    sheet = Sheet(columns=400, rows=100, width_mm=40.0, height_mm=10.0, travel=travel)
    tone = draw(KINDS["grey png"], sheet, mirror=mirror)
    seen = tone[:, ::-1] if travel == "right" else tone
    left, right = seen[:, 0].mean(), seen[:, -1].mean()
    assert (left > right) != mirror  # black is at the left of the ramp, and is ink


def test_stretched_it_fills_the_sheet() -> None:
    tone = draw(KINDS["grey png"])
    assert tone.shape == (100, 400)
    assert tone.dtype == np.float32
    expected = 1 - linear(np.interp(np.arange(400), (np.arange(64) + 0.5) * 6.25 - 0.5, ramp()[0]))
    assert tone[50, ::-1] == pytest.approx(expected, abs=0.02)
    assert draw(KINDS["grey png"], negative=True) == pytest.approx(1 - tone, abs=1e-5)


BLACK = saved(Image.new("L", (200, 20)))


def test_filling_the_turn_it_keeps_its_proportions() -> None:
    tone = draw(BLACK, fit="turn")  # ten times as long as high: 40 rows of 100
    assert tone[30:70].min() > 0.99
    assert not tone[:29].any()
    assert not tone[71:].any()
    tall = draw(saved(Image.fromarray(np.tile(np.arange(240, dtype=np.uint8), (20, 1)).T)), fit="turn")
    middle = 1 - linear(np.array([119.5]))
    assert tall[49:51].mean() == pytest.approx(middle[0], abs=0.01)
    assert np.ptp(tall) < 0.1


def test_filling_the_height_it_keeps_its_proportions() -> None:
    tone = draw(saved(Image.new("L", (30, 20))), fit="height")
    assert np.flatnonzero(tone[50] > 0.5).tolist() == list(range(125, 275))
    assert draw(BLACK, fit="height").min() > 0.99  # longer than the turn: cut off


def test_long_thin_images_take_no_more_memory_than_the_sheet() -> None:
    for size in [(1, 60_000), (60_000, 1)]:
        for fit in ("turn", "height", "stretch"):
            assert draw(saved(Image.new("L", size)), fit=fit).shape == (100, 400)


def test_an_open_seam_is_measured_and_blended_shut() -> None:
    seam = draw(KINDS["grey png"])
    assert seam_visibility(seam) > 0.9
    closed = draw(KINDS["grey png"], blend_mm=10.0)
    assert closed.shape == seam.shape
    assert seam_visibility(closed) < 0.01


def test_blending_leaves_the_rest_as_it_is() -> None:
    """Beyond the blend the columns are those of the longer image, and the first one continues the last."""
    longer = draw(KINDS["grey png"], Sheet(columns=500, rows=100, width_mm=50.0, height_mm=10.0))
    closed = draw(KINDS["grey png"], blend_mm=10.0)
    assert np.array_equal(closed[:, 100:], longer[:, 100:400])
    assert closed[:, 0] == pytest.approx(longer[:, 400], abs=0.01)


def test_a_tone_that_closes_has_no_seam() -> None:
    wave = 0.5 + 0.5 * np.sin(np.linspace(0, 6 * np.pi, 300, endpoint=False))
    assert seam_visibility(np.tile(wave.astype(np.float32), (20, 1))) < 0.001
    assert seam_visibility(np.zeros((5, 9), dtype=np.float32)) == 0.0
    half = np.zeros((5, 100), dtype=np.float32)
    half[:, 50:] = 1.0
    assert seam_visibility(half) == 1.0


def test_parameters_and_uploads_are_checked_at_the_door() -> None:
    picture = WrappedImage()
    with pytest.raises(InputError, match="upload: missing"):
        picture.check_upload(None)
    with pytest.raises(InputError) as caught:
        picture.check_upload(b"x")
    assert caught.value.field == "upload"
    assert caught.value.__cause__ is not caught.value
    picture.check_upload(KINDS["16 bit tiff"])
    with pytest.raises(InputError, match="blend_mm"):
        WrappedImage(blend_mm=-1.0)
    with pytest.raises(InputError, match="blend_mm"):
        WrappedImage(fit="height", blend_mm=5.0)
    with pytest.raises(InputError, match="give at most 20 mm"):
        draw(KINDS["grey png"], blend_mm=21.0)
