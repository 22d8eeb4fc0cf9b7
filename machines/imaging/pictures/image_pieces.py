"""What a JPEG, a PNG or a TIFF consists of, counted before a library opens it.

To a library each piece costs far more time and memory than it has octets, and some pieces have hardly any.
"""

from __future__ import annotations

import contextlib
import re
import struct

from machines.errors import InputError

# Ten are usual in a progressive JPEG.
MOST_SCANS = 50
# Some dozens are usual in a JPEG; a PNG of the largest size may have as many thousands, and a TIFF two numbers for each
# row.
MOST_PIECES = 100_000
# Octets 255 may fill the room before a marker. None or few do; a decoder goes over all again with each part it reads.
MOST_FILL = 4096
# Octets of what a camera tells of an image; some thousands are usual. Each number among them becomes an object, and
# with each part of a JPEG all before it is copied.
LARGEST_EXIF = 1_000_000
_JPEG, _PNG, _TIFF = b"\xff\xd8\xff", b"\x89PNG\r\n\x1a\n", (b"II", b"MM")
# Any marker but a restart, and no octet 255 of coded data, after which 0 follows (ITU-T T.81, B.1.1.2 and F.1.2.3).
_MARKER = re.compile(rb"\xff[\xc0-\xcf\xd8-\xfe]")
_START_OF_SCAN = 0xDA
# Begin and end of an image, and what no decoder reads; no length follows these, or none that all readers heed.
_ALONE = (0xD8, 0xD9, 0xC8, *range(0xF0, 0xFE))
_EXIF, _LARGEST_PART = b"Exif\0\0", 0xFFFF
# The same in a PNG: as it is, or as text, two digits an octet.
_PNG_EXIF = (b"eXIf", *(kind + b"Raw profile type exif" for kind in (b"tEXt", b"zTXt", b"iTXt")))
# Kinds of values in a TIFF that are kept as they stand: octets, text, and what nobody reads.
_KEPT_WHOLE = (1, 2, 7)
# What in a TIFF names a list of its own: what the camera tells, where it stood, and what it shares with others; and the
# kinds of numbers that say where that begins.
_LISTS = (34665, 34853, 40965)
_NUMBERS = {3: "H", 4: "I", 6: "B", 8: "H", 9: "I", 13: "I", 16: "Q"}


def check_pieces(data: bytes) -> None:
    """Refuse a file that has far more pieces than its kind needs; other kinds, and what is damaged, are left alone.

    Raises:
        InputError: it has.
    """
    if data.startswith(_JPEG):
        _check_jpeg(data)
    elif data.startswith(_PNG):
        _check_png(data)
    elif data.startswith(_TIFF):
        _check_tiff(data)


def _check_jpeg(data: bytes) -> None:
    """A preview in the file is one piece of it, and what stands behind its end, as phones put there, is none."""
    at, pieces, scans, exif = 2, 0, 0, 0
    while found := _MARKER.search(data, at):
        marker = data[found.end() - 1]
        _require_no_filling(data, at, found.start())
        if not scans:  # what stands between the pieces is read octet by octet up to here
            pieces += found.start() - at
        elif marker in _ALONE:
            return
        pieces += 1
        scans += marker == _START_OF_SCAN
        _require_few(pieces)
        if scans > MOST_SCANS:  # each goes over the whole image, and a few octets are one
            raise InputError("", f"more than {MOST_SCANS} scans", "save it again as a JPEG of one scan")
        at = found.end()
        exif += _LARGEST_PART * data.startswith(_EXIF, at + 2)
        _require_small(exif)
        if marker not in _ALONE:
            at += max(2, int.from_bytes(data[at : at + 2], "big"))
    _require_no_filling(data, at, len(data))
    if not scans:
        _require_few(pieces + len(data) - at)


def _require_no_filling(data: bytes, at: int, end: int) -> None:
    if data.find(b"\xff" * (MOST_FILL + 1), at, end) >= 0:
        raise InputError("", f"more than {MOST_FILL:,} octets that fill it up", "save it again")


def _check_png(data: bytes) -> None:
    at, pieces = len(_PNG), 0
    while at < len(data) and data[at + 4 : at + 8] != b"IEND":
        pieces += 1
        length = int.from_bytes(data[at : at + 4], "big")
        _require_few(pieces)
        if data.startswith(_PNG_EXIF, at + 4):
            _require_small(length)
        at += 12 + length


def _check_tiff(data: bytes) -> None:
    """Each page has a list of what it consists of, which may name others, of what a camera tells. The second page is
    read, too, before it is known for one too many."""
    order, is_big = ">" if data.startswith(b"MM") else "<", data[2:3] == b"\x2b"
    number, count, entry = ("Q", "Q", "HHQ") if is_big else ("I", "H", "HHI")
    width, value = struct.calcsize(f"={entry}{number}"), struct.calcsize(f"={entry}")
    pieces, named = 0, [(8 if is_big else 4, number)]  # where it is said where a list begins, and as what
    for index, (place, form) in enumerate(named):
        with contextlib.suppress(struct.error, OverflowError):  # it ends before what it names
            (at,) = struct.unpack_from(order + form, data, place)
            if at == 0:  # no other page
                continue
            (entries,) = struct.unpack_from(order + count, data, at)
            pieces += entries
            _require_few(pieces)
            at += struct.calcsize(f"={count}")
            for _ in range(entries):
                tag, kind, values = struct.unpack_from(order + entry, data, at)
                pieces += 0 if kind in _KEPT_WHOLE else values
                _require_few(pieces)
                if tag in _LISTS and kind in _NUMBERS:
                    named.append((at + value, _NUMBERS[kind]))
                at += width
            if index == 0:
                named.append((at, number))


def _require_small(exif: int) -> None:
    if exif > LARGEST_EXIF:
        raise InputError("", f"more than {LARGEST_EXIF:,} octets tell of it", "save it again without them")


def _require_few(pieces: int) -> None:
    if pieces > MOST_PIECES:
        raise InputError("", f"more than {MOST_PIECES:,} pieces", "save it again")
