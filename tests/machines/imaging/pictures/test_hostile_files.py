"""Files from strangers that are small and cost much: refused before they cost it, or drawn within stated memory."""

from __future__ import annotations

import io
import json
import struct
import subprocess
import sys
import threading
from dataclasses import replace
from pathlib import Path
from typing import Literal

import numpy as np
import pytest
from PIL import Image

from machines.errors import InputError
from machines.imaging.pictures import LandPicture, Sheet, SkyNumbers, WrappedImage, canvas, geojson, image_pieces
from machines.imaging.pictures.canvas import Canvas
from machines.imaging.pictures.geojson import read_geojson
from machines.imaging.pictures.image_file import check_image, read_light
from machines.imaging.pictures.image_pieces import check_pieces
from machines.imaging.pictures.one_at_a_time import ONE_AT_A_TIME
from tests.machines.imaging.pictures.hostile import (
    empty_arrays,
    jpeg_of_exif,
    jpeg_of_scans,
    plain_png,
    png_of_exif,
    short_steps,
    tiff_of_exif,
    tiff_of_pages,
    tiff_of_strips,
    triangles,
    with_pieces,
    zigzag,
)

SHEET = Sheet(columns=400, rows=100, width_mm=40.0, height_mm=10.0)
SKY = SkyNumbers()
# How much more memory drawing a file took than the process had before, bytes.
DRAWN = """
import sys
from pathlib import Path
from machines.imaging.pictures import Sheet, SkyNumbers, WrappedImage
data = Path(sys.argv[1]).read_bytes()
def peak():  # of this program: what the one that began it took counts in `ru_maxrss`, too
    (line,) = (line for line in open("/proc/self/status") if line.startswith("VmHWM"))
    return int(line.split()[1]) * 1024
sheet = Sheet(columns=400, rows=100, width_mm=40.0, height_mm=10.0, travel=sys.argv[2])
before = peak()
WrappedImage().check_upload(data)
WrappedImage().draw(SkyNumbers(), sheet, data)
print(peak() - before)
"""


def taken(png: Path, width: int, height: int, *, travel: str) -> int:
    """Memory for drawing a plain image of a size, bytes."""
    png.write_bytes(plain_png(width, height))
    command = [sys.executable, "-c", DRAWN, str(png), travel]
    return int(subprocess.run(command, capture_output=True, text=True, check=True).stdout)


@pytest.mark.parametrize("pages", [2, 200_000])
def test_of_many_pages_only_the_second_is_looked_for(pages: int) -> None:
    with pytest.raises(InputError, match="more than one page or frame"):
        check_image(tiff_of_pages(pages))
    assert read_light(tiff_of_pages(1)).shape == (1, 1)


def test_a_jpeg_of_very_many_scans_is_refused() -> None:
    assert read_light(jpeg_of_scans(50)).shape == (64, 64)
    with pytest.raises(InputError, match="more than 50 scans; save it again"):
        read_light(jpeg_of_scans(51))


@pytest.mark.parametrize(
    "hiding",
    [
        b"\xff\xfe\x00\x04\xff\xd9",  # what would be the end, in a comment
        b"\xff\xe0\x00\x00",  # a length that leaves out its own octets
        b"\xff\xff\xff\xe0\x00\x02",  # filled up
        b"\xff\xd0\xff\xd7",  # restarts
    ],
)
def test_scans_do_not_hide_behind_what_a_decoder_passes_over(hiding: bytes) -> None:
    data = jpeg_of_scans(51)
    scan = data.index(b"\xff\xda")
    assert Image.open(io.BytesIO(data[:scan] + hiding + data[scan:])).load() is not None
    with pytest.raises(InputError, match="more than 50 scans"):
        read_light(data[:scan] + hiding + data[scan:])


def test_scans_of_a_preview_and_behind_the_end_are_no_scans_of_the_image() -> None:
    """As in the photographs of a phone: a small one in front, and a film, or depths, behind it."""
    plain, preview = jpeg_of_scans(10), b"\xff\xda" * 100
    data = plain[:2] + b"\xff\xe5" + (len(preview) + 2).to_bytes(2, "big") + preview + plain[2:]
    assert np.array_equal(read_light(data + b"\xff\xda" * 100), read_light(plain))


@pytest.mark.parametrize(
    ("kind", "piece", "of_it"),
    [
        ("JPEG", b"\xff\xe0\x00\x02", 1),  # of a program's own
        ("JPEG", b"\xff\xfe\x00\x02", 1),  # a comment
        ("JPEG", b"\xff\xd9", 1),  # the end
        ("JPEG", b"\xff\xf0\x00\x02", 3),  # one that no decoder reads, nor heeds how long it is
        ("JPEG", b"junk", 4),
        ("JPEG", b"\xff\x00", 2),
        ("PNG", b"\0\0\0\0vpAg\x87\xff\x50\xd2", 1),
    ],
)
def test_pieces_are_counted_before_a_library_opens_any(
    kind: str, piece: bytes, of_it: int, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(image_pieces, "MOST_PIECES", 1200)
    check_pieces(with_pieces(kind, piece, 1000 // of_it))
    monkeypatch.setattr(Image, "open", lambda *_, **__: pytest.fail("it was opened"))
    with pytest.raises(InputError, match="more than 1,200 pieces"):
        check_image(with_pieces(kind, piece, 1201 // of_it))


def test_where_an_image_never_begins_what_stands_there_is_counted_too() -> None:
    check_pieces(b"\xff\xd8\xff" + bytes(99_000))
    with pytest.raises(InputError, match="pieces"):
        check_pieces(b"\xff\xd8\xff" + bytes(100_000))


@pytest.mark.parametrize(("order", "number"), [("<", "I"), (">", "I"), ("<", "Q")])
def test_strips_of_a_tiff_are_counted_before_a_library_opens_any(
    order: str, number: str, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Four million took twenty seconds and a gigabyte, whatever the size of the image."""
    assert read_light(tiff_of_strips(1000, order, number)).shape == (2, 1)
    monkeypatch.setattr(image_pieces, "MOST_PIECES", 1000)
    check_pieces(tiff_of_strips(900, order, number))
    monkeypatch.setattr(Image, "open", lambda *_, **__: pytest.fail("it was opened"))
    for pages in (1, 2):  # the second is read before it is known for one too many
        with pytest.raises(InputError, match="more than 1,000 pieces"):
            check_image(tiff_of_strips(1001, order, number, pages))


@pytest.mark.filterwarnings("ignore::UserWarning")  # by which it tells where the file ends
def test_a_tiff_that_ends_before_what_it_names_is_left_to_the_library() -> None:
    whole = tiff_of_strips(1000)
    assert read_light(whole).shape == (2, 1)
    for end in (*range(4, 130), 1000, len(whole) - 1):
        with pytest.raises(InputError, match="not a whole PNG, JPEG or TIFF"):
            read_light(whole[:end])


def test_what_a_camera_tells_is_bounded(monkeypatch: pytest.MonkeyPatch) -> None:
    """Sixteen thousand parts took nine seconds, and ten times as many minutes; fractions fill memory forty times."""
    assert read_light(jpeg_of_exif(15, 60_000)).shape == read_light(png_of_exif(100_000)).shape == (64, 64)
    monkeypatch.setattr(Image, "open", lambda *_, **__: pytest.fail("it was opened"))
    for data in (jpeg_of_exif(16, 1), png_of_exif(125_000)):
        with pytest.raises(InputError, match="more than 1,000,000 octets tell of it; save it again without them"):
            check_image(data)


@pytest.mark.parametrize("text", ["tEXt", "zTXt", "iTXt"])
def test_what_a_camera_tells_in_the_texts_of_a_png_is_bounded(text: str, monkeypatch: pytest.MonkeyPatch) -> None:
    """A million fractions took twenty seconds and 300 MB, whatever the size of the image."""
    assert read_light(png_of_exif(1000, text)).shape == (64, 64)
    monkeypatch.setattr(Image, "open", lambda *_, **__: pytest.fail("it was opened"))
    check_pieces(png_of_exif(62_000, text))
    with pytest.raises(InputError, match="more than 1,000,000 octets tell of it"):
        check_image(png_of_exif(63_000, text))


@pytest.mark.parametrize(
    ("tags", "order", "kind"),
    [
        ((34665,), "<", 4),
        ((34853,), ">", 4),
        ((34665,), "<", 3),
        ((34665,), ">", 3),
        ((34665,), "<", 16),
        ((34665, 40965), "<", 4),
    ],
)
def test_what_a_camera_tells_in_a_tiff_is_counted(
    tags: tuple[int, ...], order: str, kind: int, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Two million fractions took five seconds and 300 MB, whatever the size of the image."""
    assert read_light(tiff_of_exif(1000, tags, order, kind)).shape == (1, 1)
    monkeypatch.setattr(image_pieces, "MOST_PIECES", 1000)
    check_pieces(tiff_of_exif(900, tags, order, kind))
    monkeypatch.setattr(Image, "open", lambda *_, **__: pytest.fail("it was opened"))
    with pytest.raises(InputError, match="more than 1,000 pieces"):
        check_image(tiff_of_exif(1001, tags, order, kind))


def test_a_list_that_ends_early_hides_no_other() -> None:
    whole = tiff_of_exif(100_001)
    named = whole.index(struct.pack("<HHI", 34665, 4, 1))
    nowhere, there = struct.pack("<HHII", 34665, 4, 1, 2**31), struct.pack("<HHII", 34853, 4, 1, named + 28)
    with pytest.raises(InputError, match="pieces"):
        check_pieces(whole[:8] + struct.pack("<H", 11) + whole[10:named] + nowhere + there + whole[named + 12 :])


@pytest.mark.parametrize("at_the_end", [False, True])
def test_a_jpeg_that_is_filled_up_is_refused(at_the_end: bool) -> None:
    """A decoder goes over all of it again with each part of the file: a hundred million took minutes."""
    plain = with_pieces("JPEG", b"", 0)
    at = len(plain) - 2 if at_the_end else 20
    assert read_light(plain[:at] + b"\xff" * 4096 + plain[at:]).shape == (64, 64)
    with pytest.raises(InputError, match="more than 4,096 octets that fill it up"):
        read_light(plain[:at] + b"\xff" * 4097 + plain[at:])
    assert read_light(plain + b"\xff" * 5000).shape == (64, 64)


@pytest.mark.parametrize("travel", ["right", "left"])
@pytest.mark.parametrize(("width", "height"), [(5000, 4000), (500_000, 40), (40, 500_000)])
def test_an_image_takes_eight_bytes_a_pixel_and_no_more(tmp_path: Path, travel: str, width: int, height: int) -> None:
    took = taken(tmp_path / "plain.png", width, height, travel=travel)
    assert 4 * width * height < took < 8 * width * height + 48 * max(width, height) + 35_000_000


@pytest.mark.parametrize("negative", [False, True])
@pytest.mark.parametrize("mirror", [False, True])
@pytest.mark.parametrize("travel", ["right", "left"])
def test_what_is_done_in_place_is_done_right(travel: Literal["right", "left"], mirror: bool, negative: bool) -> None:
    """The left of the file is black, then grey, and its right is white."""
    stream = io.BytesIO()
    Image.fromarray(np.array([[0, 0, 128, 255]] * 2, dtype=np.uint8)).save(stream, "PNG")
    sheet = replace(SHEET, travel=travel)
    ink = 1.0 - read_light(stream.getvalue())[0]
    expected = np.repeat(1.0 - ink if negative else ink, 100)
    if (travel == "right") != mirror:
        expected = expected[::-1]
    picture = WrappedImage(mirror=mirror, negative=negative)
    for _ in range(2):
        tone = picture.draw(SKY, sheet, stream.getvalue())
        middles = slice(50, None, 100)  # of the four places: how they pass into one another is not asked here
        assert tone[50, middles] == pytest.approx(expected[middles], abs=0.1)


def test_small_shapes_are_counted_before_any_is_read() -> None:
    broken = json.loads(triangles(50_001))
    broken["coordinates"][0] = [[["no", "position"]]]
    with pytest.raises(InputError, match="more than 50,000 rings and lines"):
        read_geojson(json.dumps(broken).encode())
    assert len(read_geojson(triangles(50_000)).polygons) == 50_000


def test_positions_are_counted_before_any_is_read(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(geojson, "MOST_POSITIONS", 9)
    line = [["no", "position"]] * 10
    with pytest.raises(InputError, match="more than 9 positions"):
        read_geojson(json.dumps({"type": "MultiLineString", "coordinates": [line]}).encode())


@pytest.mark.parametrize("opens", [b"[", b"{"])
def test_what_would_fill_memory_is_not_even_parsed(opens: bytes) -> None:
    with pytest.raises(InputError, match="more than 2,500,000 arrays or 500,000 objects"):
        read_geojson(
            empty_arrays(2_500_001) if opens == b"[" else b'{"type":"Polygon","coordinates":[' + b"{}," * 500_001
        )


def test_long_sloping_edges_are_bounded() -> None:
    assert len(read_geojson(zigzag(20_000)).lines[0]) == 20_000  # 140 degrees down, 160 along: 140 steps each
    with pytest.raises(InputError, match="more than 4,000,000 degrees of sloping edges"):
        read_geojson(zigzag(29_000))
    assert len(read_geojson(zigzag(29_000, latitude=0.0)).lines[0]) == 29_000


def test_from_one_line_to_the_next_is_no_edge(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(geojson, "MOST_STEPS", 100)
    lines = [[[0, 0], [1, 1]], [[90, 60], [91, 61]], [[0, 0], [1, 1]]]
    assert len(read_geojson(json.dumps({"type": "MultiLineString", "coordinates": lines}).encode()).lines) == 3


def test_strokes_cover_the_map_so_often_and_no_more() -> None:
    canvas = Canvas(SHEET)
    across = np.array([[0.0, 50.0], [399.0, 50.0]])
    for _ in range(1000):  # a hundredth of the map each, and a fifth where the net is drawn
        canvas.line(across, 20.0, of_file=False)
    with pytest.raises(InputError, match="its lines cover the map more than 200 times over"):
        for _ in range(1000):
            canvas.line(across, 5.0)
    with pytest.raises(InputError, match="its lines cover the map"):
        LandPicture(data="upload", line_mm=5.0).draw(SKY, SHEET, zigzag(2_000, latitude=0.0))


def test_corners_of_short_strokes_are_counted(monkeypatch: pytest.MonkeyPatch) -> None:
    wide = LandPicture(data="upload", line_mm=10.0)
    assert wide.draw(SKY, SHEET, short_steps(500)).max() == 1.0
    with pytest.raises(InputError, match="its lines cover the map more than 200 times over"):
        wide.draw(SKY, SHEET, short_steps(2_000))
    monkeypatch.setattr(canvas, "_MOST_ROUNDED", 500)
    narrow = LandPicture(data="upload", line_mm=0.5)
    assert narrow.draw(SKY, SHEET, short_steps(502)).max() == 1.0
    with pytest.raises(InputError, match="its lines have more than 500 corners"):
        narrow.draw(SKY, SHEET, short_steps(503))
    assert LandPicture(data="upload", line_mm=0.4).draw(SKY, SHEET, short_steps(503)).max() == 1.0


def test_a_line_that_goes_straight_on_has_no_corner(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(canvas, "_MOST_ROUNDED", 1)
    drawn = Canvas(SHEET)
    drawn.line(np.array([[90.0, 9.0], [99.0, 9.0], [120.0, 9.0], [120.0, 30.0], [120.0, 31.0]]), 1.0)
    assert drawn.rounded == 1
    with pytest.raises(InputError, match="corners"):
        drawn.line(np.array([[90.0, 9.0], [99.0, 9.0], [90.0, 9.0]]), 1.0)


def test_a_picture_is_opened_when_no_other_is() -> None:
    done = threading.Event()

    def draw() -> None:
        WrappedImage().draw(SKY, SHEET, plain_png(4, 4))
        LandPicture(data="upload").check_upload(triangles(3))
        done.set()

    thread = threading.Thread(target=draw)
    with ONE_AT_A_TIME:
        thread.start()
        assert not done.wait(0.3)
    assert done.wait(30.0)
    thread.join()


@pytest.mark.parametrize(
    ("position", "said"),
    [
        ([True, 1], "[True, 1] is no position"),
        (["1", "2"], "['1', '2'] is no position"),
        ([1], "[1] is no position"),
        ([1e999, 0], "[inf, 0] is no position"),
        ([10**400, 0], "is no position"),
        ([0, 90.5], "[0, 90.5] is no position"),
        ({"0": 1}, "{'0': 1} is no position"),
        ("ab", "'ab' is no position"),
        ([[1], [2]], "[[1], [2]] is no position"),
    ],
)
def test_one_that_is_no_position_among_many_is_named(position: object, said: str) -> None:
    line = json.dumps([[0, 0], [1, 1], position, [2, 2]]).replace("Infinity", "1e999")
    with pytest.raises(InputError) as caught:
        read_geojson(f'{{"type":"LineString","coordinates":{line}}}'.encode())
    assert caught.value.field == "coordinates[2]" and said in caught.value.problem


def test_positions_may_have_a_height_or_not() -> None:
    (line,) = read_geojson(b'{"type":"LineString","coordinates":[[0, 1, null], [2, 3], [4, 5, 6, 7]]}').lines
    assert line.tolist() == [[0, 1], [2, 3], [4, 5]]
