"""A plate as a node needs it: its columns, from a PNG of one bit a dot, proved by the digest that is its name.

PNG (third edition), sections 7 to 10: the rows come after each other, each with a filter type before it.
"""

from __future__ import annotations

import hashlib
import struct
import zlib
from dataclasses import dataclass

SIGNATURE = b"\x89PNG\r\n\x1a\n"


@dataclass(frozen=True)
class Plate:
    """One turn of dots.

    Attributes:
        columns: of the turn.
        rows: from the upper edge down, eight dots to a byte, the first in the highest bit; 1 is a dot.
    """

    columns: int
    rows: tuple[bytes, ...]

    @property
    def digest(self) -> str:
        """What names it: SHA-256 of its size and its dots, as they stand in ``rows``."""
        digest = hashlib.sha256(f"dayroll-plate/1 {len(self.rows)} {self.columns}\n".encode())
        for row in self.rows:
            digest.update(row)
        return digest.hexdigest()

    def column(self, running: int) -> tuple[bool, ...]:
        """The dots of a running column, from the upper edge down."""
        byte, bit = divmod(running % self.columns, 8)
        return tuple(bool(row[byte] >> (7 - bit) & 1) for row in self.rows)


def read_plate(png: bytes) -> Plate:
    """Read one.

    Raises:
        ValueError: it is no PNG of one bit a dot, or not whole.
    """
    chunks = dict[bytes, bytes]()
    at = len(SIGNATURE)
    if png[:at] != SIGNATURE:
        raise ValueError("not a PNG")
    while at + 12 <= len(png):
        length, kind = struct.unpack(">I4s", png[at : at + 8])
        body = png[at + 8 : at + 8 + length]
        chunks[kind] = chunks.get(kind, b"") + body
        at += 12 + length
    if b"IEND" not in chunks:
        raise ValueError("not a whole PNG")
    width, height, depth, colour, _, _, interlaced = struct.unpack(">IIBBBBB", chunks[b"IHDR"])
    if (depth, colour, interlaced) != (1, 0, 0):
        raise ValueError("not one bit a dot, row by row")
    return Plate(
        width, tuple(_dots(row, width) for row in _unfiltered(zlib.decompress(chunks[b"IDAT"]), width, height))
    )


def _dots(row: bytes, width: int) -> bytes:
    """In a PNG 0 is black, which is a dot; what fills up the last byte is 0 in the digest."""
    inverted = int.from_bytes(row, "big") ^ (1 << 8 * len(row)) - 1
    spare = 8 * len(row) - width
    return (inverted >> spare << spare).to_bytes(len(row), "big")


def _unfiltered(data: bytes, width: int, height: int) -> list[bytes]:
    """The rows; by a byte before and the row above, as PNG section 9.2 has it."""
    length = (width + 7) // 8
    if len(data) != height * (length + 1):
        raise ValueError("rows are missing")
    rows, above = list[bytes](), bytes(length)
    for top in range(0, len(data), length + 1):
        row, kind = bytearray(data[top + 1 : top + 1 + length]), data[top]
        for i, byte in enumerate(row):
            left, corner = (row[i - 1], above[i - 1]) if i else (0, 0)
            row[i] = byte + _predicted(kind, left, above[i], corner) & 0xFF
        above = bytes(row)
        rows.append(above)
    return rows


def _predicted(kind: int, left: int, above: int, corner: int) -> int:
    if kind == 4:  # Paeth
        near = left + above - corner
        return min((abs(near - one), rank, one) for rank, one in enumerate((left, above, corner)))[2]
    return (0, left, above, (left + above) // 2)[kind]
