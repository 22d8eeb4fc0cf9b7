"""Files that are made to keep whoever opens them busy, or to fill memory."""

from __future__ import annotations

import io
import json
import struct
import zlib
from typing import Any

from PIL import Image


def tiff_of_pages(pages: int) -> bytes:
    """One grey dot that very many pages show: 114 bytes a page."""
    tags = ((256, 1), (257, 1), (258, 8), (259, 1), (262, 1), (273, 8), (277, 1), (278, 1), (279, 1))
    entries = b"".join(struct.pack("<HHII", tag, 4, 1, value) for tag, value in tags)
    directory = struct.pack("<H", len(tags)) + entries
    at, parts = 10, [struct.pack("<2sHI", b"II", 42, 10), b"\xff\0"]
    for page in range(pages):
        at += len(directory) + 4
        parts += [directory, struct.pack("<I", at if page < pages - 1 else 0)]
    return b"".join(parts)


def plain_png(width: int, height: int) -> bytes:
    """One colour, half transparent: some bytes for a thousand pixels."""
    stream = io.BytesIO()
    Image.new("RGBA", (width, height), (10, 20, 30, 128)).save(stream, "PNG")
    return stream.getvalue()


def jpeg_of_scans(scans: int) -> bytes:
    """A progressive JPEG whose last scan comes very many times."""
    stream = io.BytesIO()
    Image.effect_noise((64, 64), 40).save(stream, "JPEG", progressive=True)
    data = stream.getvalue()
    last = data.rindex(b"\xff\xda")
    return data[:last] + data[last:-2] * (scans - data.count(b"\xff\xda") + 1) + data[-2:]


def with_pieces(kind: str, piece: bytes, count: int) -> bytes:
    """A small JPEG or PNG with so many times the same before its image."""
    stream = io.BytesIO()
    Image.effect_noise((64, 64), 40).save(stream, kind)
    data = stream.getvalue()
    begin = 20 if kind == "JPEG" else data.index(b"IDAT") - 4
    return data[:begin] + piece * count + data[begin:]


def jpeg_of_pieces(count: int) -> bytes:
    """Four octets each, and nearly 150 once they are read."""
    return with_pieces("JPEG", b"\xff\xe0\x00\x02", count)


def png_of_pieces(count: int) -> bytes:
    """Chunks of no length that nobody knows: twelve octets each, and more than 100 once they are read."""
    return with_pieces("PNG", bytes(4) + b"vpAg" + zlib.crc32(b"vpAg").to_bytes(4, "big"), count)


def jpeg_filled_up(octets: int) -> bytes:
    """Before its end stands what may fill up the room before any marker; a decoder reads it again and again."""
    plain = with_pieces("JPEG", b"", 0)
    return plain[:-2] + b"\xff" * octets + plain[-2:]


def jpeg_of_exif(parts: int, octets: int) -> bytes:
    """What a camera tells, in parts: a library puts each behind all before it, and copies them for that."""
    told = b"Exif\0\0" + bytes(octets)
    return with_pieces("JPEG", b"\xff\xe1" + struct.pack(">H", len(told) + 2) + told, parts)


def png_of_exif(fractions: int, text: str = "") -> bytes:
    """What a camera tells: which way up it is, and so many fractions of eight octets, each some 300 once it is read.
    With a kind of text, it stands there in digits."""
    tags = struct.pack("<HHHII", 2, 274, 3, 1, 3) + struct.pack("<HHII", 50_000, 5, fractions, 38) + bytes(4)
    told = struct.pack("<2sHI", b"II", 42, 8) + tags + struct.pack("<II", 1, 3) * fractions
    if text:
        told = b"Exif\0\0" + told
        before = {"tEXt": b"", "zTXt": b"\0", "iTXt": bytes(4)}[text]
        shown = f"\nexif\n{len(told)}\n{told.hex()}\n".encode()
        told = b"Raw profile type exif\0" + before + (zlib.compress(shown, 0) if text == "zTXt" else shown)
    kind = text.encode() or b"eXIf"
    check = zlib.crc32(kind + told).to_bytes(4, "big")
    return with_pieces("PNG", struct.pack(">I", len(told)) + kind + told + check, 1)


def tiff_of_exif(fractions: int, tags: tuple[int, ...] = (34665,), order: str = "<", kind: int = 4) -> bytes:
    """What a camera tells, in a list of its own that the last of these tags names, each within that of the one before;
    and in it so many fractions of eight octets, each some 160 once it is read."""
    form = {3: "H", 4: "I", 16: "Q"}[kind]
    is_big = form == "Q"
    number, count = ("Q", "Q") if is_big else ("I", "H")
    width = struct.calcsize(f"=HH{number}{number}")

    def entry(tag: int, kind: int, many: int, value: bytes) -> bytes:
        return struct.pack(f"{order}HH{number}", tag, kind, many) + value.ljust(struct.calcsize(number), b"\0")

    dot = {256: 1, 257: 1, 258: 8, 259: 1, 262: 1, 273: 8, 277: 1, 278: 1, 279: 1}
    data = struct.pack(order + "2sH", b"II" if order == "<" else b"MM", 43 if is_big else 42)
    data += (struct.pack(order + "HH", 8, 0) if is_big else b"") + struct.pack(order + number, 16 if is_big else 8)
    lists: list[dict[int, int]] = [dot, *({} for _ in tags)]
    for index, one in enumerate(lists):
        data += struct.pack(order + count, len(one) + 1)
        data += b"".join(entry(tag, 4, 1, struct.pack(order + "I", value)) for tag, value in one.items())
        after = len(data) + width + struct.calcsize(number)
        if index < len(tags):
            data += entry(tags[index], kind, 1, struct.pack(order + form, after))
        else:
            data += entry(50_000, 5, fractions, struct.pack(order + number, after))
        data += struct.pack(order + number, 0)
    return data + struct.pack(order + "II", 1, 3) * fractions


def tiff_of_strips(strips: int, order: str = "<", number: str = "I", pages: int = 1) -> bytes:
    """Two grey dots, one above the other, and on the last page so many strips, three at least, that each show one: four
    octets a strip, and some 270 once they are read."""
    is_big = number == "Q"
    begin, count = (16, "Q") if is_big else (8, "H")
    data = struct.pack(order + "2sH", b"II" if order == "<" else b"MM", 43 if is_big else 42)
    data += (struct.pack(order + "HH", 8, 0) if is_big else b"") + struct.pack(order + number, begin)
    tags = {256: 1, 257: 2, 258: 8, 259: 1, 262: 1, 273: 0, 277: 1, 278: 1, 279: 1}
    length = struct.calcsize(f"={count}{number}") + len(tags) * struct.calcsize(f"=HH{number}{number}")
    for page in range(1, pages + 1):
        data += struct.pack(order + count, len(tags))
        for tag, value in tags.items():
            has_all = tag == 273 and page == pages
            data += struct.pack(f"{order}HH{number}", tag, 4, strips if has_all else 1)
            at = struct.pack(order + number, begin + pages * length)
            data += at if has_all else struct.pack(order + "I", value).ljust(len(at), b"\0")
        data += struct.pack(order + number, begin + page * length if page < pages else 0)
    return data + bytes(4 * strips)


def geojson(kind: str, coordinates: Any) -> bytes:
    return json.dumps({"type": kind, "coordinates": coordinates}).encode()


def triangles(count: int) -> bytes:
    """So many small polygons beside one another."""
    corners = [(round(-180 + i * 0.37 % 359, 2), round(-80 + i * 0.11 % 160, 2)) for i in range(count)]
    return geojson("MultiPolygon", [[[[x, y], [x + 0.5, y], [x, y + 0.5], [x, y]]] for x, y in corners])


def zigzag(positions: int, latitude: float = 70.0) -> bytes:
    """A line that runs from one side of the map to the other and back, again and again."""
    return geojson("LineString", [[80 * (-1) ** i, latitude * (-1) ** i] for i in range(positions)])


def short_steps(positions: int) -> bytes:
    """A line that goes round and round a place: of no length to speak of, and a corner at each position."""
    corners = [[0, 0], [2, 0], [2, 2], [0, 2]]
    return geojson("LineString", [corners[i % 4] for i in range(positions)])


def empty_arrays(count: int) -> bytes:
    """Three bytes each, and a hundred once they are read."""
    return b'{"type":"Polygon","coordinates":[' + b"[]," * (count - 2) + b"[]]}"
