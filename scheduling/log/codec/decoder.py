"""Events out of the log again, fast: msgspec makes a dataclass of its text, each field as its class has it.

Whoever doubts the log walks it (`scheduling.log.integrity.verify`), which reads every event with all checks.
"""

from __future__ import annotations

from functools import cache

import msgspec
import orjson

from scheduling.log.events import EVENT_CLASSES, Event, from_data, schema_of


def read_event(kind: str, schema: int, text: str) -> Event:
    """An event of the log from its text, upcast to today's schema.

    Raises:
        InputError: it was written by a newer program.
        KeyError: no such kind, or no way up from its version.
        ValueError: the text is no such event.
    """
    decoder = _decoder_of(kind)
    if decoder is None or schema != schema_of(kind):
        return from_data(kind, schema, orjson.loads(text))
    return decoder.decode(text)


@cache
def _decoder_of(kind: str) -> msgspec.json.Decoder[Event] | None:
    """None for the few kinds that have a field of one class or another, which msgspec does not tell apart."""
    try:
        return msgspec.json.Decoder(EVENT_CLASSES[kind])
    except TypeError:
        return None
