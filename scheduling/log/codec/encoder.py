"""Events into the log: the text that is kept, and what everybody will read of it.

A dataclass checks nothing when it is made, and orjson writes what it finds. So the text is read back at once, by the
types of the class, and has to say the same.
"""

from __future__ import annotations

from datetime import datetime
from typing import Any

import msgspec
import orjson

from machines.errors import InputError
from scheduling.log.codec.canonical_json import json_text
from scheduling.log.codec.decoder import read_event
from scheduling.log.codec.digest import instant_text
from scheduling.log.events import EVENT_KINDS, Event, schema_of


def encode(event: Event) -> tuple[str, Event]:
    """The text of an event, and the event as the text says it: instants in UTC, a whole number that stands for a float
    as a float.

    Raises:
        InputError: a field is not of the type that its class gives it, an instant is naive, a number not finite; or the
            log cannot hold a value, see `canonical_json`.
    """
    kind = EVENT_KINDS[type(event)]
    try:
        text = json_text(event, orjson.OPT_PASSTHROUGH_DATETIME | orjson.OPT_PASSTHROUGH_SUBCLASS, _instant)
        read = read_event(kind, schema_of(kind), text)
    except (InputError, msgspec.ValidationError) as error:
        raise _misfit(kind, str(error)) from error
    if read != event:
        raise _misfit(kind, f"{event!r} would be read as {read!r}")
    return text, read


def _misfit(kind: str, why: str) -> InputError:
    return InputError("event", f"no {kind}: {why}", "give every field the type that it has there")


def _instant(value: Any) -> str:
    if type(value) is not datetime:
        raise TypeError
    return instant_text(value)
