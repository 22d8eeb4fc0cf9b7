"""A plate's PNG read row by row as it arrives, so that a small board never holds a whole turn.

A library decodes a picture whole, with a byte for each dot: a hundred megabytes for a wide machine. Here is only what a
plate needs of PNG (ISO/IEC 15948): one bit of grey, not interlaced; anything else is refused.
"""

from __future__ import annotations

import struct
import zlib
from collections.abc import Iterable, Iterator
from dataclasses import dataclass

from machines.errors import InputError
from machines.model.profile import LARGEST_PLATE_DOTS

_SIGNATURE = b"\x89PNG\r\n\x1a\n"
_HEADER = struct.Struct(">IIBBBBB")
_PIECE = 65_536


@dataclass(frozen=True)
class PlateRows:
    """A plate on its way.

    Attributes:
        dots_across: how many rows will come.
        columns: dots in a row.
        rows: each row's dots eight to a byte, the first in the highest bit, filled up with zeros to a whole byte; read
            once. Raises InputError where the PNG is cut short or damaged.
    """

    dots_across: int
    columns: int
    rows: Iterator[bytes]


def read_rows(octets: Iterable[bytes]) -> PlateRows:
    """Begin to read a plate.

    Args:
        octets: the PNG in pieces of any length.

    Raises:
        InputError: not a PNG of one bit a dot, or larger than any machine.
    """
    source = _Source(iter(octets))
    if source.take(len(_SIGNATURE)) != _SIGNATURE:
        raise _damaged("no PNG")
    length, kind = _chunk_head(source)
    if kind != b"IHDR" or length != _HEADER.size:
        raise _damaged("no header")
    header = b"".join(_chunk_data(source, length, kind))
    columns, rows, *form = _HEADER.unpack(header)
    if form != [1, 0, 0, 0, 0] or not 0 < columns * rows <= LARGEST_PLATE_DOTS:
        raise InputError("plate", f"PNG of form {form}, {columns} by {rows}", "give one bit a dot, not interlaced")
    return PlateRows(rows, columns, _rows(source, columns, rows))


class _Source:
    """Octets, taken in the lengths that are wanted."""

    def __init__(self, pieces: Iterator[bytes]) -> None:
        self._pieces, self._buffer, self._at = pieces, b"", 0

    def some(self, most: int) -> bytes:
        """At least one octet and at most so many."""
        while self._at == len(self._buffer):
            piece = next(self._pieces, None)
            if piece is None:
                raise _damaged("cut short")
            self._buffer, self._at = piece, 0
        taken = self._buffer[self._at : self._at + most]
        self._at += len(taken)
        return taken

    def take(self, length: int) -> bytes:
        """Exactly so many."""
        taken = b""
        while len(taken) < length:
            taken += self.some(length - len(taken))
        return taken


def _chunk_head(source: _Source) -> tuple[int, bytes]:
    length, kind = struct.unpack(">I4s", source.take(8))
    return length, kind


def _chunk_data(source: _Source, length: int, kind: bytes) -> Iterator[bytes]:
    crc = zlib.crc32(kind)
    while length:
        piece = source.some(min(length, _PIECE))
        crc, length = zlib.crc32(piece, crc), length - len(piece)
        yield piece
    if source.take(4) != crc.to_bytes(4):
        raise _damaged("a check sum is wrong")


def _image_data(source: _Source) -> Iterator[bytes]:
    """What the chunks of the image hold; others that may be ignored are ignored."""
    while True:
        length, kind = _chunk_head(source)
        optional = bool(kind[0] & 0x20)
        if kind not in (b"IDAT", b"IEND") and not optional:
            raise _damaged(f"a chunk {kind!r}")
        for piece in _chunk_data(source, length, kind):
            if kind == b"IDAT":
                yield piece
        if kind == b"IEND":
            return


def _rows(source: _Source, columns: int, rows: int) -> Iterator[bytes]:
    stride = -(-columns // 8)
    whole = (1 << (8 * stride)) - 1
    blank_end = (1 << (8 * stride - columns)) - 1  # the bits that fill up the last byte
    before, buffer = bytes(stride), bytearray()
    for some in _unpacked(_image_data(source)):
        buffer += some
        while len(buffer) > stride and rows:
            before = _unfiltered(buffer[0], bytes(buffer[1 : stride + 1]), before)
            del buffer[: stride + 1]
            rows -= 1
            # A dot is black, which is 0 in grey.
            yield ((int.from_bytes(before) ^ whole) & ~blank_end).to_bytes(stride)
        if buffer and not rows:
            raise _damaged("there are too many rows")
    if rows:
        raise _damaged("rows are missing")


def _unpacked(packed: Iterator[bytes]) -> Iterator[bytes]:
    inflate = zlib.decompressobj()
    try:
        for piece in packed:
            rest = piece
            while rest:
                yield inflate.decompress(rest, _PIECE)
                rest = inflate.unconsumed_tail
        yield inflate.flush()
    except zlib.error as error:
        raise _damaged(str(error)) from None
    if not inflate.eof:
        raise _damaged("cut short")


def _unfiltered(kind: int, row: bytes, above: bytes) -> bytes:
    """Undo a row's filter, by ISO/IEC 15948 section 9.2, where pixels before one are those of the byte before."""
    if kind == 0:
        return row
    if kind > 4:
        raise _damaged(f"a filter {kind}")
    out = bytearray(row)
    for at, byte in enumerate(row):
        left, over, corner = (out[at - 1], above[at], above[at - 1]) if at else (0, above[0], 0)
        guess = (left, over, (left + over) // 2, _paeth(left, over, corner))[kind - 1]
        out[at] = (byte + guess) & 0xFF
    return bytes(out)


def _paeth(left: int, over: int, corner: int) -> int:
    guess = left + over - corner
    nearest = min(abs(guess - left), abs(guess - over), abs(guess - corner))
    return next(value for value in (left, over, corner) if abs(guess - value) == nearest)


def _damaged(what: str) -> InputError:
    return InputError("plate", f"not a whole PNG ({what})", "fetch it again")
