"""JSON in one form: names in order, no spaces, so that equal values have equal bytes on every engine.

A float and a whole number are told apart, as ``3.0`` and ``3``.
"""

from __future__ import annotations

import math
from collections.abc import Callable
from typing import Any

import orjson

from machines.errors import InputError


def canonical(value: Any) -> str:
    """JSON values as text, with the names of each object in order.

    Raises:
        InputError: a number is not finite; or it holds what else JSON or its readers cannot say, see `json_text`.
    """
    text = json_text(value, orjson.OPT_SORT_KEYS)
    if "null" in text and not _is_finite(value):
        raise InputError("", "a number that is not finite", "give values that JSON can hold")
    return text


def _is_finite(value: Any) -> bool:
    """Whether every number in it is."""
    if isinstance(value, dict | list | tuple):
        return all(map(_is_finite, value.values() if isinstance(value, dict) else value))
    return not isinstance(value, float) or math.isfinite(value)


def json_text(value: Any, options: int = 0, otherwise: Callable[[Any], Any] | None = None) -> str:
    """A value as JSON, written by orjson, to which a number that is not finite is null.

    Args:
        value: JSON values, and what orjson takes as such.
        options: of orjson.
        otherwise: makes JSON values of what is none.

    Raises:
        InputError: it holds what is no JSON value; half a character; a whole number beyond 2**53, which other programs
            do not keep; or a zero character, which PostgreSQL does not.
    """
    try:
        text = orjson.dumps(value, otherwise, options | orjson.OPT_STRICT_INTEGER).decode()
    except TypeError as error:
        raise InputError("", str(error), "give values that JSON can hold") from error
    if "\\u0000" in text and "\\u0000" in text.replace("\\\\", ""):  # backslashes are escaped in pairs
        raise InputError("", "a zero character", "leave it out")
    return text
