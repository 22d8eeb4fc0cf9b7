"""Whether an event is what its class says, down to the last field: what does not fit must never get into the log.

A dataclass checks nothing when it is made. Reading an event back would find a wrong type, but too late; writing it to
JSON and reading that before it is stored would find it in time, and costs more than all the rest of an append. So
each class gets a test made of small functions, one a field, put together once.
"""

from __future__ import annotations

import types
from collections.abc import Callable, Mapping
from dataclasses import fields, is_dataclass
from datetime import datetime
from functools import cache
from math import isfinite
from operator import attrgetter
from typing import Any, Literal, Union, get_args, get_origin, get_type_hints

Test = Callable[[Any], bool]


def fits(event: Any) -> bool:
    """Whether every field of a (nested) dataclass has the type that the class gives it.

    An int may stand for a float; a bool for neither. Instants are aware, floats finite.
    """
    cls: Any = type(event)
    return _test_of(cls)(event)


@cache
def _test_of(hint: Any) -> Test:
    """The test of a type."""
    if hint is Any:
        return lambda value: True
    if is_dataclass(hint):
        return _test_of_fields(hint)
    origin, arguments = get_origin(hint), get_args(hint)
    if origin in (Union, types.UnionType):
        tests = [_test_of(one) for one in arguments]
        return lambda value: any(test(value) for test in tests)
    if origin is Literal:
        return frozenset(arguments).__contains__
    if origin is tuple:
        return _test_of_items(arguments[0])
    if origin in (dict, Mapping):
        return _test_of_mapping(*arguments)
    return _SIMPLE[hint]


_SIMPLE: dict[Any, Test] = {
    type(None): lambda value: value is None,
    int: lambda value: type(value) is int,
    float: lambda value: (type(value) is float and isfinite(value)) or type(value) is int,
    str: lambda value: type(value) is str,
    bool: lambda value: type(value) is bool,
    datetime: lambda value: type(value) is datetime and value.tzinfo is not None,
}


def _test_of_fields(cls: Any) -> Test:
    hints = get_type_hints(cls)
    tests = [(attrgetter(field.name), _test_of(hints[field.name])) for field in fields(cls)]

    def test(value: Any) -> bool:
        if type(value) is not cls:
            return False
        for get, one in tests:  # noqa: SIM110 (a generator for each event takes twice as long)
            if not one(get(value)):
                return False
        return True

    return test


def _test_of_items(item: Any) -> Test:
    test = _test_of(item)
    return lambda value: type(value) is tuple and all(map(test, value))


def _test_of_mapping(key: Any, item: Any) -> Test:
    test_key, test_item = _test_of(key), _test_of(item)
    return lambda value: type(value) is dict and all(map(test_key, value)) and all(map(test_item, value.values()))
