"""Events out of the log again, fast: what the store wrote was checked on its way in, and is not checked once more.

For each class a function is put together once that fills an instance from the JSON values: most fields are what JSON
says they are, and only the others (instants, floats, dataclasses within) have to be made. Neither `__init__` nor
`__post_init__` runs, so an event must not have fields that are worked out from others. Whoever doubts the log walks it
(`scheduling.log.integrity.verify`), which reads every event with all checks.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import MISSING, fields, is_dataclass
from datetime import datetime
from functools import cache, partial
from typing import Any, Literal, get_args, get_origin, get_type_hints

import orjson
from cattrs import Converter

from machines.serialization import format_instant
from scheduling.log.events import EVENT_CLASSES, Event, from_data, schema_of

Read = Callable[[Any], Any]

_AS_THEY_ARE = (Any, int, str, bool, dict[str, Any])


def read_event(kind: str, schema: int, text: str) -> Event:
    """An event of the log from its canonical text, upcast to today's schema.

    Raises:
        InputError: it was written by a newer program.
        KeyError: no such kind, or no way up from its version.
    """
    data = orjson.loads(text)
    if schema != schema_of(kind):
        return from_data(kind, schema, data)
    event: Event = _reader(kind)(data)
    return event


@cache
def _reader(kind: str) -> Read:
    return _reader_of_fields(EVENT_CLASSES[kind])


@cache
def _reader_of(hint: Any) -> Read | None:
    """What makes a value of a type from JSON; None where JSON says it as it is."""
    if hint in _AS_THEY_ARE or get_origin(hint) is Literal:
        return None
    if hint is float:
        return float
    if hint is datetime:
        return datetime.fromisoformat
    if is_dataclass(hint):
        return _reader_of_fields(hint)
    if get_origin(hint) is tuple:
        return _reader_of_items(get_args(hint)[0])
    structure = _CONVERTER.get_structure_hook(hint)
    return lambda value: structure(value, hint)


def _reader_of_fields(cls: Any) -> Read:
    hints, count = get_type_hints(cls), len(fields(cls))
    conversions = [(field.name, read) for field in fields(cls) if (read := _reader_of(hints[field.name])) is not None]
    added_later = _added_later(cls)
    make, set_attribute = partial(object.__new__, cls), object.__setattr__

    def read_fields(data: dict[str, Any]) -> Any:
        if len(data) < count:
            missing = added_later(data)
            data.update((name, read(data[name])) for name, read in conversions if name in data)
            data.update(missing)
        else:  # as nearly always
            for name, read in conversions:
                data[name] = read(data[name])
        value = make()
        set_attribute(value, "__dict__", data)  # which nobody else has
        return value

    return read_fields


def _added_later(cls: Any) -> Callable[[dict[str, Any]], dict[str, Any]]:
    """What gives the fields that data written earlier do not have yet."""
    defaults = {field.name: field.default for field in fields(cls) if field.default is not MISSING}
    makers = {field.name: field.default_factory for field in fields(cls) if field.default_factory is not MISSING}

    def missing(data: dict[str, Any]) -> dict[str, Any]:
        made = {name: make() for name, make in makers.items() if name not in data}
        return made | {name: default for name, default in defaults.items() if name not in data}

    return missing


class _Instants(tuple[datetime, ...]):
    """Instants that were read from texts, and know them still."""

    texts: list[str]


def texts_of(instants: tuple[datetime, ...]) -> list[str]:
    """Instants as RFC 3339: those that they were read from, or made now, which takes five times as long as reading."""
    return list(instants.texts) if type(instants) is _Instants else [format_instant(one) for one in instants]


def _read_instants(texts: list[str]) -> tuple[datetime, ...]:
    instants = _Instants(map(datetime.fromisoformat, texts))
    instants.texts = texts
    return instants


def _reader_of_items(item: Any) -> Read:
    if item is datetime:
        return _read_instants
    read = _reader_of(item)
    return tuple if read is None else lambda values: tuple(map(read, values))


def _make_converter() -> Converter:
    """For the few other types: unions, and mappings of things."""
    converter = Converter(detailed_validation=False)

    def inner_hook(cls: Any) -> Any:
        read = _reader_of(cls)
        return lambda value, _: value if read is None else read(value)

    converter.register_structure_hook_factory(_is_ours, inner_hook)
    return converter


def _is_ours(hint: Any) -> bool:
    return hint is datetime or is_dataclass(hint) or get_origin(hint) in (tuple, Literal)


_CONVERTER = _make_converter()
