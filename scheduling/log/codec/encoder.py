"""Events into the log, fast: from the dataclass to its canonical text at once, and refused where a field is not of the
type that its class gives it.

A dataclass checks nothing when it is made. Reading an event back would find a wrong type, but too late; making JSON
values of it, testing each and encoding them takes most of the time of an append. So each class gets a function made of
small ones, one a field in the order of RFC 8785, put together once. What is not plain (numbers with exponents, text
beyond ASCII) is left to `canonical_json`.
"""

from __future__ import annotations

import types
from collections.abc import Callable
from dataclasses import fields, is_dataclass
from datetime import datetime
from functools import cache
from json.encoder import encode_basestring
from math import isfinite
from typing import Any, Literal, Union, get_args, get_origin, get_type_hints

from machines.serialization import unstructure
from scheduling.log.codec.canonical_json import LARGEST_WHOLE, canonical
from scheduling.log.codec.digest import instant_text

Write = Callable[[Any], str]


class WrongType(Exception):
    """A field is not of the type that its class gives it."""


def text_of(event: Any) -> str:
    """A (nested) dataclass as RFC 8785 text, the same as that of its JSON values.

    An int may stand for a float; a bool for neither. Instants are aware, floats finite.

    Raises:
        DoesNotFit: a field has another type than the class gives it.
        InputError: the log cannot hold a value; see `canonical_json`.
    """
    cls: Any = type(event)
    return _writer_of(cls)(event)


@cache
def _writer_of(hint: Any) -> Write:
    """What writes a value of a type."""
    if hint in _SIMPLE:
        return _SIMPLE[hint]
    if is_dataclass(hint):
        return _writer_of_fields(hint)
    origin, arguments = get_origin(hint), get_args(hint)
    if origin in (Union, types.UnionType):
        return _writer_of_one(arguments)
    if origin is Literal:
        return _writer_of_choice(arguments)
    if origin is tuple:
        return _writer_of_items(arguments[0])
    raise TypeError(f"no event can have a field of the type {hint!r}")


def _writer_of_fields(cls: Any) -> Write:
    hints = get_type_hints(cls)
    members = [(f'"{name}":', name, _writer_of(hints[name])) for name in sorted(field.name for field in fields(cls))]

    def write(value: Any) -> str:
        if type(value) is not cls:
            raise WrongType
        values = value.__dict__
        return "{" + ",".join([start + write(values[name]) for start, name, write in members]) + "}"

    return write


def _writer_of_one(hints: tuple[Any, ...]) -> Write:
    """A union of classes and of at most one type that is none, such as a tuple or a choice."""
    writers = {hint: _writer_of(hint) for hint in hints}
    if float in writers:
        writers.setdefault(int, _number)
    (other,) = [writers.pop(hint) for hint in hints if not isinstance(hint, type)] or [_refuse]
    return lambda value: writers.get(type(value), other)(value)


def _writer_of_choice(choices: tuple[Any, ...]) -> Write:
    texts = {choice: encode_basestring(choice) for choice in choices}

    def write(value: Any) -> str:
        if type(value) is not str or value not in texts:
            raise WrongType
        return texts[value]

    return write


def _writer_of_items(item: Any) -> Write:
    write_item = _writer_of(item)

    def write(value: Any) -> str:
        if not isinstance(value, tuple):
            raise WrongType
        return "[" + ",".join(map(write_item, value)) + "]"

    return write


def _whole(value: Any) -> str:
    if type(value) is not int:
        raise WrongType
    return str(value) if -LARGEST_WHOLE <= value <= LARGEST_WHOLE else _member(value)


def _number(value: Any) -> str:
    if type(value) is not float:
        return _whole(value)
    text = repr(value)
    if "." in text and "e" not in text and not text.endswith(".0"):  # as ECMAScript writes it, and nearly always so
        return text
    if not isfinite(value):
        raise WrongType
    return _member(value)


def _text(value: Any) -> str:
    if type(value) is not str:
        raise WrongType
    return encode_basestring(value) if value.isascii() and "\0" not in value else _member(value)


def _truth(value: Any) -> str:
    if type(value) is not bool:
        raise WrongType
    return "true" if value else "false"


def _null(_: Any) -> str:
    return "null"


def _refuse(_: Any) -> str:
    raise WrongType


def _instant(value: Any) -> str:
    if type(value) is not datetime or value.tzinfo is None:
        raise WrongType
    return f'"{instant_text(value)}"'


def _mapping(value: Any) -> str:
    if type(value) is not dict or not all(type(name) is str for name in value):
        raise WrongType
    return canonical(unstructure(value))


def _member(value: Any) -> str:
    """The reference's own way."""
    return canonical([value])[1:-1]


_SIMPLE: dict[Any, Write] = {
    int: _whole,
    float: _number,
    str: _text,
    bool: _truth,
    type(None): _null,
    datetime: _instant,
    dict[str, Any]: _mapping,
}
