"""A plate's PNG, read row by row. Pillow, which knows nothing of our reader, is the judge of every filter."""

from __future__ import annotations

import io
import struct
import zlib
from collections.abc import Iterator

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from numpy.typing import NDArray
from PIL import Image

from machines.errors import InputError
from machines.imaging.plate import Plate
from machines.imaging.png_rows import read_rows

FILTERS = range(5)


def chunk(kind: bytes, data: bytes) -> bytes:
    return struct.pack(">I", len(data)) + kind + data + zlib.crc32(data, zlib.crc32(kind)).to_bytes(4)


def png(
    rows: int, columns: int, scanlines: bytes, *, form: bytes = bytes([1, 0, 0, 0, 0]), extra: bytes = b"", cut: int = 7
) -> bytes:
    """A PNG of such filtered lines, its image in chunks of a few octets each."""
    packed = zlib.compress(scanlines)
    data = b"".join(chunk(b"IDAT", packed[at : at + cut]) for at in range(0, len(packed), cut))
    header = struct.pack(">II", columns, rows) + form
    return b"\x89PNG\r\n\x1a\n" + chunk(b"IHDR", header) + extra + data + chunk(b"IEND", b"")


def in_pieces(octets: bytes, size: int) -> Iterator[bytes]:
    return (octets[at : at + size] for at in range(0, len(octets), size))


def dots_of(octets: bytes, size: int = 1000) -> NDArray[np.bool_]:
    found = read_rows(in_pieces(octets, size))
    packed = np.frombuffer(b"".join(found.rows), dtype=np.uint8).reshape(found.dots_across, -1)
    return np.unpackbits(packed, axis=1, count=found.columns).astype(np.bool_)


def by_pillow(octets: bytes) -> NDArray[np.bool_]:
    with Image.open(io.BytesIO(octets)) as image:
        return ~np.asarray(image)


@given(rows=st.integers(1, 30), columns=st.integers(1, 70), seed=st.integers(0, 999), size=st.integers(1, 300))
def test_what_pillow_writes_is_read_as_pillow_reads_it(rows: int, columns: int, seed: int, size: int) -> None:
    plate = Plate(np.random.default_rng(seed).random((rows, columns)) < 0.3)
    assert (dots_of(plate.to_png(), size) == plate.dots).all()


@given(data=st.data(), rows=st.integers(1, 12), columns=st.integers(1, 60))
def test_every_filter_is_undone_as_pillow_undoes_it(data: st.DataObject, rows: int, columns: int) -> None:
    """Whatever octets a line has and whatever filter stands before it, it means something."""
    stride = -(-columns // 8)
    lines = b"".join(
        bytes([data.draw(st.sampled_from(FILTERS))]) + data.draw(st.binary(min_size=stride, max_size=stride))
        for _ in range(rows)
    )
    octets = png(rows, columns, lines)
    assert (dots_of(octets) == by_pillow(octets)).all()


def test_what_fills_up_a_row_is_blank() -> None:
    """So that the digest is that of the dots, whatever a writer left there."""
    found = read_rows([png(2, 3, b"\x00\x00\x00\x00")])
    assert [*found.rows] == [b"\xe0", b"\xe0"]


def test_what_does_not_matter_is_ignored() -> None:
    octets = png(1, 8, b"\x00\x0f", extra=chunk(b"tEXt", b"Comment\0of no weight"))
    assert dots_of(octets).tolist() == [[True] * 4 + [False] * 4]


LINES = b"\x00\xaa\x00\x55"
GOOD = png(2, 8, LINES)


@pytest.mark.parametrize("cut", range(len(GOOD)))
def test_cut_short_anywhere_it_is_refused(cut: int) -> None:
    with pytest.raises(InputError, match="not a whole PNG"):
        dots_of(GOOD[:cut])


@pytest.mark.parametrize("at", range(8, len(GOOD)))
def test_a_bit_that_fell_over_anywhere_shows(at: int) -> None:
    damaged = bytearray(GOOD)
    damaged[at] ^= 0x10
    with pytest.raises(InputError):
        dots_of(bytes(damaged))


@pytest.mark.parametrize(
    ("octets", "problem"),
    [
        (b"GIF89a" + bytes(40), "no PNG"),
        (png(2, 8, LINES, form=bytes([8, 0, 0, 0, 0])), "form"),
        (png(2, 8, LINES, form=bytes([1, 3, 0, 0, 0])), "form"),
        (png(2, 8, LINES, form=bytes([1, 0, 0, 0, 1])), "form"),
        (png(0, 8, LINES), "form"),
        (png(60_000, 60_000, LINES), "form"),
        (png(3, 8, LINES), "rows are missing"),
        (png(1, 8, LINES), "too many rows"),
        (png(2, 8, b"\x00\xaa\x05\x55"), "a filter 5"),
        (png(2, 8, LINES, extra=chunk(b"NEED", b"")), "a chunk"),
        (b"\x89PNG\r\n\x1a\n" + chunk(b"IDAT", b""), "no header"),
    ],
)
def test_what_is_no_plate_is_refused(octets: bytes, problem: str) -> None:
    with pytest.raises(InputError, match=problem):
        dots_of(octets)


def test_a_small_file_that_unpacks_to_a_huge_one_is_refused_before_it_is_there() -> None:
    huge = png(2, 8, LINES + bytes(50_000_000), cut=100_000)
    with pytest.raises(InputError, match="too many rows"):
        dots_of(huge)
