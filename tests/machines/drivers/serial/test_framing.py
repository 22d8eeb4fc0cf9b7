"""Lines of the serial protocol: what is no whole line is as if it had not come."""

from __future__ import annotations

import io

import pytest
from hypothesis import given
from hypothesis import strategies as st
from PIL import Image

from machines.drivers.serial.framing import LINE_LIMIT, LineReader, crc, decode, encode

WORDS = st.lists(
    st.text(st.characters(min_codepoint=33, max_codepoint=126), min_size=1, max_size=12), min_size=1
).filter(lambda words: len(" ".join(words)) <= LINE_LIMIT - 11)


def test_check_value_of_the_crc() -> None:
    # CRC-32/ISO-HDLC: check value 0xCBF43926 for "123456789" in the published catalogues of CRC parameters, via the
    # checks of other open projects that quote it.
    assert crc(b"123456789") == 0xCBF43926


def test_crc_of_a_png_written_by_another_library() -> None:
    # The PNG specification (ISO/IEC 15948) uses the same CRC over each chunk's type and data.
    stream = io.BytesIO()
    Image.new("1", (8, 8)).save(stream, "PNG")
    chunk, written = stream.getvalue()[-8:-4], stream.getvalue()[-4:]
    assert chunk == b"IEND"
    assert crc(chunk).to_bytes(4, "big") == written


@given(WORDS)
def test_words_come_back(words: list[str]) -> None:
    line = encode(*words)
    assert line.endswith(b"\n") and len(line) <= LINE_LIMIT
    assert decode(line[:-1]) == words


@pytest.mark.parametrize("words", [[], [""], ["a b"], ["a\n"], ["\x7f"], ["x" * 246]])
def test_what_cannot_be_a_line_is_refused(words: list[str]) -> None:
    with pytest.raises(ValueError, match="cannot be sent"):
        encode(*words)


def test_the_longest_line_is_accepted() -> None:
    assert len(encode("x" * 245)) == LINE_LIMIT


@given(WORDS, st.data())
def test_two_wrong_bits_are_noticed(words: list[str], data: st.DataObject) -> None:
    # Below 2974 bits this polynomial has a Hamming distance of 5 or more (Koopman 2002, from memory). A wrong bit of a
    # hex digit's character can be two of the sum, so two wrong bits of a line are at most four, and all are noticed.
    line = bytearray(encode(*words)[:-1])
    for bit in data.draw(st.sets(st.integers(0, 8 * len(line) - 1), min_size=1, max_size=2)):
        line[bit // 8] ^= 1 << bit % 8
    assert decode(bytes(line)) is None


@pytest.mark.parametrize(
    "line",
    [
        b"",
        b"*00000000",
        b" *00000000",
        b"ask 1 1",
        b"ask 1 1 *9238A51D",  # capitals
        b"ask 1 1 *9238a51d ",
        b"ask  1 1 *9238a51d",
        b"ask 1 1 *9238a51e",
        b"ask 1 1\r *9238a51d",
        b"\xff\xfe",
    ],
)
def test_what_is_no_line_is_ignored(line: bytes) -> None:
    assert decode(line) is None


@given(st.lists(WORDS, max_size=5), st.binary(max_size=40), st.lists(st.integers(1, 30), min_size=1))
def test_lines_are_found_however_they_are_cut(lines: list[list[str]], rubbish: bytes, cuts: list[int]) -> None:
    wire = rubbish + b"\n" + b"".join(encode(*words) for words in lines)
    reader, found = LineReader(), []
    while wire:
        for cut in cuts:
            found += list(reader.feed(wire[:cut]))
            wire = wire[cut:]
    assert found == lines


def test_a_wire_without_line_ends_takes_no_memory() -> None:
    reader = LineReader()
    for _ in range(1000):
        assert list(reader.feed(b"x" * 1000)) == []
    assert len(reader._unfinished) <= LINE_LIMIT  # how much memory noise takes shows nowhere else
    assert list(reader.feed(b"\n" + encode("ask", 1, 2))) == [["ask", "1", "2"]]
