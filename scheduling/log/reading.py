"""Events out of the log again, fast: what the store wrote was checked on its way in, and is not checked once more.

For each kind a function is put together once that takes the JSON values and makes the dataclass. Whoever doubts the
log walks it (`scheduling.log.verify`), which reads every event with all checks.
"""

from __future__ import annotations

import json
from collections.abc import Callable
from dataclasses import is_dataclass
from datetime import datetime
from functools import cache
from typing import Any, Literal, get_args, get_origin

from cattrs import Converter
from cattrs.gen import make_dict_structure_fn

from scheduling.log.events import KINDS, Event, from_data, schema_of

Read = Callable[[Any, Any], Event]


def read_event(kind: str, schema: int, text: str) -> Event:
    """An event of the log from its canonical text, upcast to today's schema.

    Raises:
        InputError: it was written by a newer program.
        KeyError: no such kind, or no way up from its version.
    """
    data = json.loads(text)
    if schema != schema_of(kind):
        return from_data(kind, schema, data)
    return _reader(kind)(data, KINDS[kind])


@cache
def _reader(kind: str) -> Read:
    read: Read = _CONVERTER.get_structure_hook(KINDS[kind])
    return read


def _is_tuple(cls: Any) -> bool:
    return get_origin(cls) is tuple


def _is_literal(cls: Any) -> bool:
    return get_origin(cls) is Literal


def _make_converter() -> Converter:
    converter = Converter(detailed_validation=False)

    def items_hook(cls: Any) -> Any:
        item, _ = get_args(cls)
        if item is datetime:
            return lambda values, _: tuple(map(datetime.fromisoformat, values))
        read = converter.get_structure_hook(item)
        return lambda values, _: tuple([read(value, item) for value in values])

    converter.register_structure_hook_factory(is_dataclass, lambda cls: make_dict_structure_fn(cls, converter))
    converter.register_structure_hook_factory(_is_tuple, items_hook)
    converter.register_structure_hook_func(_is_literal, lambda value, _: value)
    converter.register_structure_hook(datetime, lambda text, _: datetime.fromisoformat(text))
    return converter


_CONVERTER = _make_converter()
