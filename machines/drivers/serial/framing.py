"""Lines of the serial protocol: printable text with a check sum, one a line. See PROTOCOL.md.

<text> *<crc>\\n        text of printable ASCII, words separated by one space; crc of the text in 8 hex digits
"""

from __future__ import annotations

import re
import zlib
from collections.abc import Iterator

# Octets, with the line feed.
LINE_LIMIT = 256
_LINE = re.compile(rb"([!-~]+(?: [!-~]+)*) \*([0-9a-f]{8})")


def crc(text: bytes) -> int:
    """CRC-32/ISO-HDLC, that of IEEE 802.3 and of PNG; its published check value is 0xCBF43926 for ``123456789``."""
    return zlib.crc32(text)


def encode(*words: object) -> bytes:
    """Words as a line.

    Raises:
        ValueError: a word is empty or not printable ASCII, or the line is too long: a fault of the caller.
    """
    text = " ".join(map(str, words)).encode("ascii")
    line = b"%b *%08x\n" % (text, crc(text))
    if len(line) > LINE_LIMIT or decode(line[:-1]) != [str(word) for word in words]:
        raise ValueError(f"cannot be sent as one line: {text!r}")
    return line


def decode(line: bytes) -> list[str] | None:
    """The words of a line without its line feed; None if it is no whole line of this protocol."""
    matched = _LINE.fullmatch(line)
    if matched is None or crc(matched[1]) != int(matched[2], 16):
        return None
    return matched[1].decode("ascii").split(" ")


class LineReader:
    """Finds the lines in what comes over a wire. What is no whole line is ignored."""

    def __init__(self) -> None:
        self._unfinished = b""

    def feed(self, received: bytes) -> Iterator[list[str]]:
        """The words of each line that these octets complete."""
        *finished, unfinished = (self._unfinished + received).split(b"\n")
        # A line feed that was lost must not let this grow without end.
        self._unfinished = unfinished[-LINE_LIMIT:]
        for line in finished:
            words = decode(line)
            if words is not None:
                yield words
