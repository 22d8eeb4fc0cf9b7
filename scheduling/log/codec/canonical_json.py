"""JSON in one form only: RFC 8785, so that the same value has the same bytes on every engine and for ever.

The reference implementation walks the value in Python. The standard library's encoder, written in C, gives the same
bytes for nearly everything that the log holds; where its text shows one of the few forms in which the two differ, the
reference implementation takes over.
"""

from __future__ import annotations

import json
import re
from typing import Any

import rfc8785

from machines.errors import InputError

# A float that is whole (1.0) or has an exponent (1e-07), or a whole number of sixteen digits or more. Beside these,
# UTF-16 sorts keys outside of ASCII differently. The same forms within a text only cost time.
_MAY_DIFFER = re.compile(r"[:\[,]-?(?:\d+\.0[,}\]]|[\d.]+e[-+])")
_MANY_DIGITS = re.compile(r"[:\[,]-?[0-9]{16}")
_MAY_BE_LARGE = re.compile(r"[:\[,]-?\d{16,}[,}\]]")
# The backslashes before it pair up among themselves.
_ZERO_CHARACTER = re.compile(r"(?<!\\)(?:\\\\)*\\u0000")
LARGEST_WHOLE = 2**53 - 1

_encode = json.JSONEncoder(sort_keys=True, separators=(",", ":"), ensure_ascii=False, allow_nan=False).encode


def canonical(value: Any) -> str:
    """An object or array of JSON values as RFC 8785 text, which reads back to a value with the same text.

    Raises:
        InputError: it holds what JSON cannot say (NaN, a lone surrogate); a whole number beyond 2**53, be it a float,
            which would not read back as it was; or a zero character, which PostgreSQL cannot keep.
    """
    try:
        text = _encode(value)
        if _may_differ(text):
            text = rfc8785.dumps(value).decode()
            if _MAY_BE_LARGE.search(text):
                json.loads(text, parse_int=_require_exact)
    except (TypeError, ValueError) as error:
        raise InputError("", str(error), "give values that JSON can hold") from error
    if "\\u0000" in text and _ZERO_CHARACTER.search(text):
        raise InputError("", "a zero character", "leave it out")
    return text


def _may_differ(text: str) -> bool:
    """Whether the reference implementation might write it otherwise."""
    if not text.isascii() or _MANY_DIGITS.search(text):
        return True
    return (".0," in text or ".0}" in text or ".0]" in text or "e-" in text or "e+" in text) and _MAY_DIFFER.search(
        text
    ) is not None


def _require_exact(digits: str) -> int:
    if abs(int(digits)) > LARGEST_WHOLE:
        raise ValueError(f"{digits} is beyond the whole numbers that a double holds exactly")
    return int(digits)
