"""JSON in one form: names in order, no spaces, so that equal values have equal bytes on every engine.

A float and a whole number are told apart, as ``3.0`` and ``3``. What is not finite becomes null: such numbers are kept
out before, by the checks of a body and of an event.
"""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

import orjson

from machines.errors import InputError


def canonical(value: Any) -> str:
    """JSON values as text, with the names of each object in order.

    Raises:
        InputError: it holds what JSON or its readers cannot say; see `json_text`.
    """
    return json_text(value, orjson.OPT_SORT_KEYS)


def json_text(value: Any, options: int = 0, otherwise: Callable[[Any], Any] | None = None) -> str:
    """A value as JSON, written by orjson.

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
    if "\\u0000" in text.replace("\\\\", ""):  # backslashes are escaped in pairs
        raise InputError("", "a zero character", "leave it out")
    return text
