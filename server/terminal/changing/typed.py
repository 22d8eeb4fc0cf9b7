"""What is typed at the terminal, as JSON: a file, a field and its value, and local times as instants."""

from __future__ import annotations

import json
import sys
from collections.abc import Iterable
from datetime import datetime
from pathlib import Path
from typing import Any, Literal, get_args, get_origin, get_type_hints
from zoneinfo import ZoneInfo

from machines.errors import DayrollError, InputError
from machines.serialization import format_instant
from scheduling.sky.civil import CivilTimeError, instant_of
from server.api.json_parser import read_json
from server.api.problems import Unreadable

A_FIELD = (
    "give name=value, such as name='First night' or closing=null; a dot goes inside: anchor.civil=2027-01-03T18:00"
)

A_FILE = "with a JSON object, as the API takes it; a hyphen for what comes in on standard input"


def json_in(file: str) -> dict[str, Any]:
    """The JSON object in a file, or on standard input for a hyphen.

    Raises:
        DayrollError: it is none.
        OSError: it cannot be read.
    """
    try:
        body = read_json(sys.stdin.buffer.read() if file == "-" else Path(file).read_bytes())
    except Unreadable as error:
        raise DayrollError(f"{file}: {error.detail}") from error
    if not isinstance(body, dict):
        raise DayrollError(f"{file}: this is no JSON object", "give one, as the API takes it")
    return body


def fields_typed(typed: Iterable[str], of: type[Any], clock: ZoneInfo | None) -> dict[str, Any]:
    """Fields as ``name=value``, as a JSON object; a dot in a name goes inside.

    Args:
        typed: each.
        of: the dataclass whose fields they are, by which a text is told from a number.
        clock: of local times.

    Raises:
        InputError: one is no such thing, or is given twice.
    """
    kinds, body = get_type_hints(of), dict[str, Any]()
    for one in typed:
        name, equals, text = one.partition("=")
        if not equals or not all(name.split(".")):
            raise InputError(one, "this is no field with its value", A_FIELD)
        *outer, last = name.split(".")
        inner: Any = body
        for part in outer:
            inner = inner.setdefault(part, {}) if isinstance(inner, dict) else inner
        if not isinstance(inner, dict) or last in inner:
            raise InputError(name, "given twice", "give each field once")
        inner[last] = value_typed(text, str if outer else kinds.get(name, object), name, clock)
    return body


def value_typed(text: str, kind: Any, field: str, clock: ZoneInfo | None) -> Any:
    """A value as JSON: an instant or a text where it is one, else JSON, or the text that it is.

    Args:
        text: as typed.
        kind: the type of its field.
        field: its name, for refusals.
        clock: of local times; None where no one venue is meant.

    Raises:
        InputError: a local time that the clock shows twice or never, or whose clock is not known.
    """
    kinds = {kind, *get_args(kind)}
    if text == "null" and (type(None) in kinds or field.count(".")):
        return None
    if datetime in kinds:
        return instant_typed(text, field, clock)
    is_text = str in kinds or any(get_origin(one) is Literal for one in kinds)
    if is_text and not text.startswith(("{", "[")) and not field.count("."):
        return text
    try:
        return json.loads(text)
    except ValueError:
        return text


def instant_typed(text: str, field: str, clock: ZoneInfo | None) -> str:
    """An instant as the API takes it, of a local time such as ``2027-01-03T18:00``, or one with an offset or ``Z``.

    Args:
        text: as typed.
        field: its name, for refusals.
        clock: of the venue; None where no one venue is meant.

    Raises:
        InputError: it is none, the clock shows it twice or never, or is not known.
    """
    try:
        at = datetime.fromisoformat(text)
    except ValueError:
        raise InputError(field, f"{text!r} is no date with a time", "give one such as 2027-01-03T18:00") from None
    if at.tzinfo is not None:
        return format_instant(at)
    if clock is None:
        raise InputError(field, f"{text!r} is by no one venue's clock", f"give its offset, such as {text}Z")
    try:
        return format_instant(instant_of(at, clock))
    except CivilTimeError as error:
        both = " or ".join(one.at.isoformat() for one in error.readings)
        problem = error.problem
        raise InputError(field, problem, f"say which is meant: {both}") from error
