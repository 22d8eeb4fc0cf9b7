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

# A float that is whole (1.0), has an exponent (1e-07) or is no number, or a whole number of sixteen digits or more,
# which may lie beyond what a double holds. Beside these, UTF-16 sorts keys outside of ASCII differently.
_DIFFERS = re.compile(r"[:\[,]-?(?:\d+\.0[,}\]]|[\d.]+e[-+]|\d{16,}|NaN|Infinity)")
_encode = json.JSONEncoder(sort_keys=True, separators=(",", ":"), ensure_ascii=False).encode
_ZERO = re.compile(r'"(?:[^"\\]|\\.)*?\\u0000')


def canonical(value: Any) -> str:
    """An object or array of JSON values as RFC 8785 text.

    Raises:
        InputError: it holds what JSON cannot say (NaN, a lone surrogate, a whole number beyond 2**53), or a zero
            character, which PostgreSQL cannot keep.
    """
    try:
        text = _encode(value)
        if not text.isascii() or _DIFFERS.search(text):
            text = rfc8785.dumps(value).decode()
    except (TypeError, ValueError) as error:
        raise InputError("", str(error), "give values that JSON can hold") from error
    if "\\u0000" in text and _ZERO.search(text):
        raise InputError("", "a zero character", "leave it out")
    return text
