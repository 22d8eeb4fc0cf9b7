"""Files that are small and cost much: refused within a little work, or drawn within stated memory."""

from __future__ import annotations

import os
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path

from tests.attack.row import Row
from tests.attack.target import Target
from tests.machines.imaging.pictures.hostile import (
    empty_arrays,
    jpeg_filled_up,
    jpeg_of_exif,
    jpeg_of_pieces,
    jpeg_of_scans,
    plain_png,
    png_of_exif,
    png_of_pieces,
    tiff_of_exif,
    tiff_of_pages,
    tiff_of_strips,
    triangles,
    zigzag,
)

TICKS_A_S = os.sysconf("SC_CLK_TCK")
# Of the server's own processor time: what else a computer does meanwhile is not the file's fault.
REFUSED_WITHIN_S, SEEN_AGAIN_WITHIN_S = 2.0, 1.0
# Eight bytes a pixel of the largest image, and what reading it takes besides.
MOST_MEMORY_BYTES = 1_000_000_000
MAP, IMAGE = {"kind": "map", "data": "upload"}, {"kind": "image"}
GEOJSON, PNG, TIFF, JPEG = "application/geo+json", "image/png", "image/tiff", "image/jpeg"


@dataclass(frozen=True)
class Bomb:
    """A file: what it is, how it is made, and whether it is drawn after all."""

    what: str
    make: Callable[[], bytes]
    media_type: str
    is_drawn: bool = False


QUICK = (
    Bomb("10,000 pages", lambda: tiff_of_pages(10_000), TIFF),
    Bomb("51 scans", lambda: jpeg_of_scans(51), JPEG),
    Bomb("two million segments", lambda: jpeg_of_pieces(2_000_000), JPEG),
    Bomb("a million chunks", lambda: png_of_pieces(1_000_000), PNG),
    Bomb("sloping edges", lambda: zigzag(29_000), GEOJSON),
    Bomb("arrays in arrays", lambda: b"[" * 1_000_000, GEOJSON),
    Bomb("3 million empty arrays", lambda: empty_arrays(3_000_000), GEOJSON),
    Bomb("600,000 empty objects", lambda: b'{"type":"Polygon","coordinates":[' + b"{}," * 600_000 + b"1]}", GEOJSON),
    Bomb("no image", lambda: b"\x89PNG\r\n\x1a\n" + bytes(1_000_000), PNG),
    Bomb("20,000 triangles", lambda: triangles(20_000), GEOJSON, is_drawn=True),
)
SLOW = (
    Bomb("200,000 pages", lambda: tiff_of_pages(200_000), TIFF),
    Bomb("30 million segments", lambda: jpeg_of_pieces(30_000_000), JPEG),
    Bomb("ten million chunks", lambda: png_of_pieces(10_000_000), PNG),
    Bomb("60,000 parts of what a camera tells", lambda: jpeg_of_exif(60_000, 1000), JPEG),
    Bomb("ten million fractions", lambda: png_of_exif(10_000_000), PNG),
    Bomb("four million fractions in digits", lambda: png_of_exif(4_000_000, "tEXt"), PNG),
    Bomb("ten million fractions in a TIFF", lambda: tiff_of_exif(10_000_000), TIFF),
    Bomb("ten million strips", lambda: tiff_of_strips(10_000_000), TIFF),
    Bomb("60 MB of filling", lambda: jpeg_filled_up(60_000_000), JPEG),
    Bomb("180,000 triangles", lambda: triangles(180_000), GEOJSON),
    Bomb("50,000 triangles", lambda: triangles(50_000), GEOJSON, is_drawn=True),
    Bomb("six million texts", lambda: b'{"type":"Polygon","coordinates":[' + b'"ab",' * 6_000_000 + b"1]}", GEOJSON),
    Bomb("79 million pixels", lambda: plain_png(9000, 8800), PNG, is_drawn=True),
)


def files(target: Target, bombs: tuple[Bomb, ...]) -> list[Row]:
    """Each is uploaded, named as a source's, and where it is taken, drawn small."""
    refused = Row("files to be refused (s of the server's processor)", worst_s=REFUSED_WITHIN_S)
    drawn = Row("files to be drawn (s of the server's processor)")
    again = Row("drawings seen again (s of the server's processor)", worst_s=SEEN_AGAIN_WITHIN_S)
    for number, bomb in enumerate(bombs):
        row = drawn if bomb.is_drawn else refused
        memory = _Memory(target.pid)
        _throw(target, bomb, f"bomb-{number}", row, again)
        took = memory.peak_bytes()
        row.figures[bomb.what] = {"memory_bytes": took}
        if took > MOST_MEMORY_BYTES:
            row.wrong.append(f"{bomb.what} took {took / 1e6:.0f} MB")
    return [refused, drawn, again]


def _throw(target: Target, bomb: Bomb, id: str, row: Row, seen_again: Row) -> None:
    kept = target.studio.post("uploads", bomb.make(), content_type=bomb.media_type)
    if kept.status_code != 201:
        row.errors.append(f"{bomb.what} was not kept: {kept.status_code}")
        return
    picture = MAP if bomb.media_type == GEOJSON else IMAGE
    source = {"id": id, "name": bomb.what, "picture": picture, "upload": kept.json()["digest"]}
    began = processor_s(target.pid)
    answer = target.studio.post("sources", source)
    row.answered(answer.status_code, processor_s(target.pid) - began, bomb.what)
    if answer.status_code != (201 if bomb.is_drawn else 422):
        row.wrong.append(f"{bomb.what}: {answer.status_code}")
    if answer.status_code == 201:
        began = processor_s(target.pid)
        thumbnail = target.keys["reader"].get(f"sources/{id}/thumbnail.png")
        row.answered(thumbnail.status_code, processor_s(target.pid) - began, f"{bomb.what}, drawn")
        began = processor_s(target.pid)
        again = target.keys["reader"].get(f"sources/{id}/thumbnail.png")
        seen_again.answered(again.status_code, processor_s(target.pid) - began, bomb.what)
        if again.content != thumbnail.content:
            seen_again.wrong.append(f"{bomb.what} looks otherwise when it is seen again")


def processor_s(pid: int) -> float:
    """Processor time of a process so far, s."""
    numbers = Path(f"/proc/{pid}/stat").read_text().rpartition(")")[2].split()
    return (int(numbers[11]) + int(numbers[12])) / TICKS_A_S


class _Memory:
    """How much more memory a process held since then, at its height."""

    def __init__(self, pid: int) -> None:
        self.pid = pid
        Path(f"/proc/{pid}/clear_refs").write_text("5")  # the height is counted anew
        self.before = self._status("VmRSS")

    def peak_bytes(self) -> int:
        return self._status("VmHWM") - self.before

    def _status(self, name: str) -> int:
        lines = Path(f"/proc/{self.pid}/status").read_text().splitlines()
        (line,) = (line for line in lines if line.startswith(name))
        return int(line.split()[1]) * 1024
