"""Bodies as I-JSON (RFC 7493): UTF-8, no name twice, whole numbers that every reader of JSON keeps exactly.

What passes here can be stored and hashed anywhere: a lone surrogate has no UTF-8, PostgreSQL takes no NUL in text, and
other programs keep no whole number beyond 2**53. Nor does the log's writer go deeper than some 250 arrays and objects
within one another.
"""

from __future__ import annotations

import json
import math
from typing import Any, NoReturn

import msgspec
from rest_framework.parsers import BaseParser

from machines.errors import InputError
from server.api.problems import TooLarge, Unreadable

LARGEST_BODY_BYTES = 4_000_000
# Arrays and objects: each is looked at by itself, and three bytes are one.
MOST_PARTS = 100_000
LARGEST_WHOLE_NUMBER = 2**53 - 1
# Arrays and objects within one another; the deepest that is sent, a gap that was settled, has some ten.
DEEPEST = 200


def _unique(pairs: list[tuple[str, Any]]) -> dict[str, Any]:
    names: dict[str, Any] = {}
    for name, value in pairs:
        if name in names:
            raise InputError(name, "given twice", "give each name once")
        names[name] = value
    return names


def _no_constant(name: str) -> NoReturn:
    raise ValueError(f"{name} is not a JSON number")


def _is_storable(text: str) -> bool:
    return "\0" not in text and not any("\ud800" <= letter <= "\udfff" for letter in text)


def check_values(value: Any, path: str = "", depth: int = 0) -> None:
    """Refuse what a store or a hash would stumble over later.

    Raises:
        RecursionError: nested too deeply.
        InputError: names the place.
    """
    if depth >= DEEPEST and isinstance(value, list | dict):
        raise RecursionError
    if isinstance(value, list):
        for index, item in enumerate(value):
            check_values(item, f"{path}[{index}]", depth + 1)
    elif isinstance(value, dict):
        for name, item in value.items():
            _check_value(name, path)
            check_values(item, f"{path}.{name}" if path else name, depth + 1)
    else:
        _check_value(value, path)


def _check_value(value: Any, path: str) -> None:
    if isinstance(value, str) and not _is_storable(value):
        raise InputError(path, "text with a NUL or half a character in it", "give whole Unicode characters")
    if isinstance(value, int) and abs(value) > LARGEST_WHOLE_NUMBER:
        raise InputError(path, f"{value} is too large", f"give at most {LARGEST_WHOLE_NUMBER} either way")
    if isinstance(value, float) and not math.isfinite(value):
        raise InputError(path, "a number too large", "give one below 1.8e308 either way")


_QUICK = msgspec.json.Decoder()
_PARTS = (dict, list)


def _plain(text: bytes) -> Any:
    """A value in which nothing can be wrong, as nearly all that boards send, in a tenth of the time; None where it has
    to be looked at more closely, or is null.

    Without a backslash no text holds a NUL or half a character, and every two quotation marks are a text: where a name
    was given twice, there are more of them than what was read has texts.
    """
    if b"\\" in text:
        return None
    try:
        value = _QUICK.decode(text)
    except (ValueError, RecursionError):
        return None
    return value if 2 * _texts_of_plain(value) == text.count(b'"') else None


def _texts_of_plain(value: Any) -> int:
    """How many texts a value holds, names of fields too; -1 where it is too deep, or holds a number that has to be
    looked at."""
    texts, parts = 0, list[Any]([[value]])
    for _ in range(DEEPEST + 1):
        below: list[Any] = []
        for part in parts:
            texts += len(part) if type(part) is dict else 0
            for one in part.values() if type(part) is dict else part:
                kind = type(one)
                if kind is str:
                    texts += 1
                elif kind in _PARTS:
                    below.append(one)
                elif one is not None and not -LARGEST_WHOLE_NUMBER <= one <= LARGEST_WHOLE_NUMBER:
                    return -1
        if not below:
            return texts
        parts = below
    return -1


def read_json(text: bytes) -> Any:
    """One I-JSON value.

    Raises:
        Unreadable: not JSON, not UTF-8, or nested too deeply.
        InputError: JSON with a value that cannot be kept.
    """
    value = _plain(text)
    return _looked_at(text) if value is None else value


def _looked_at(text: bytes) -> Any:
    """A value of which every part is looked at, so that an error names its place; raises as `read_json`."""
    try:
        value = json.loads(text.decode(), object_pairs_hook=_unique, parse_constant=_no_constant)
        check_values(value)
    except InputError:
        raise
    except RecursionError:
        raise Unreadable("The JSON is nested too deeply.") from None
    except ValueError as error:
        raise Unreadable(f"The body is not JSON in UTF-8: {error}.") from None
    return value


class BodyParser(BaseParser):
    """Reads a JSON body of bounded length."""

    media_type = "application/json"

    def parse(self, stream: Any, media_type: str | None = None, parser_context: Any = None) -> Any:
        """The body as a JSON value; see `read_json` for what is refused."""
        text = stream.read(LARGEST_BODY_BYTES + 1)
        if len(text) > LARGEST_BODY_BYTES:
            raise TooLarge(f"The body is longer than {LARGEST_BODY_BYTES} bytes.")
        if text.count(b"[") + text.count(b"{") > MOST_PARTS:
            raise TooLarge(f"The body has more than {MOST_PARTS:,} arrays and objects.")
        return read_json(text)


class MergePatchParser(BodyParser):
    """Reads a merge patch, under the name that RFC 7396 gives it."""

    media_type = "application/merge-patch+json"
