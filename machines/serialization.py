"""JSON values into frozen dataclasses and back, with errors that name the field.

Instants are aware UTC datetimes in Python and RFC 3339 with ``Z`` and microseconds in JSON. Nothing is coerced
silently: ``"12"`` is no number, ``1.5`` no count, a date-time without an offset no instant.
"""

from __future__ import annotations

import math
import re
from collections.abc import Callable
from dataclasses import is_dataclass
from datetime import UTC, datetime
from types import UnionType
from typing import TYPE_CHECKING, Any, Literal, TypeVar, Union, get_args, get_origin

from cattrs import AttributeValidationNote, Converter, ForbiddenExtraKeysError, IterableValidationError
from cattrs.cols import homogenous_tuple_structure_factory
from cattrs.errors import ClassValidationError
from cattrs.gen import make_dict_structure_fn

from machines.errors import InputError, UnknownChoice

if TYPE_CHECKING:
    from typing_extensions import TypeForm  # a class, or a union or a literal of some, for those who check types only

T = TypeVar("T")

# RFC 3339 section 5.6; the offset may be missing here, so that the error can say that it is.
_DATE_TIME = re.compile(
    r"\d{4}-\d\d-\d\d[Tt ]([01]\d|2[0-3]):[0-5]\d:(?P<second>[0-6]\d)(\.\d+)?([Zz]|[+-]\d\d:\d\d)?", re.ASCII
)


def format_instant(instant: datetime) -> str:
    """An instant as RFC 3339 with ``Z`` and microseconds.

    Raises:
        ValueError: the datetime is naive.
    """
    if instant.tzinfo is None:
        raise ValueError("a naive date-time is no instant")
    return instant.astimezone(UTC).isoformat(timespec="microseconds").replace("+00:00", "Z")


def parse_instant(text: Any, field: str = "") -> datetime:
    """An instant from RFC 3339, as an aware UTC datetime. What is finer than a microsecond is dropped.

    Raises:
        InputError: not RFC 3339, without an offset from UTC, in a leap second, or outside the years 1 to 9999 in UTC.
    """
    remedy = "give RFC 3339 in UTC, such as 2026-10-24T12:00:00Z"
    try:
        instant = datetime.fromisoformat(text if _is_our_own_form(text) else _checked(text, field))
    except InputError:
        raise
    except (TypeError, ValueError):
        raise InputError(field, f"{text!r} is not a date-time", remedy) from None
    if instant.tzinfo is None:
        raise InputError(field, f"{text!r} has no offset from UTC", remedy)
    try:
        return instant.astimezone(UTC)
    except OverflowError:
        raise InputError(field, f"{text!r} is in no year from 1 to 9999", remedy) from None


def _is_our_own_form(text: str) -> bool:
    """Whether a text may be as `format_instant` writes it: most are, and need no closer look. A leap second does."""
    separators_fit = len(text) == 27 and text[7] == "-" and text[10] == "T" and text[19] == "." and text[26] == "Z"
    return separators_fit and text[17] != "6"


def _checked(text: str, field: str) -> str:
    """A date-time of RFC 3339 as `datetime` reads it, which by itself would take other forms of ISO 8601 too."""
    match = _DATE_TIME.fullmatch(text)
    if match is None:
        raise ValueError(text)
    if match["second"] == "60":
        problem = f"{text!r} is in a leap second, which UTC as computers count it cannot name"
        raise InputError(field, problem, "give the second before it or after it")
    return text.upper()


def _whole(value: Any, _: type) -> int:
    if isinstance(value, bool) or not isinstance(value, int):
        raise InputError("", f"{value!r} is not a whole number", "give a whole number")
    return value


def _number(value: Any, _: type) -> float:
    if isinstance(value, bool) or not isinstance(value, int | float) or not math.isfinite(value):
        raise InputError("", f"{value!r} is not a number", "give a finite number")
    return float(value)


def _text(value: Any, _: type) -> str:
    if not isinstance(value, str):
        raise InputError("", f"{value!r} is not text", "give text in quotes")
    return value


def _truth(value: Any, _: type) -> bool:
    if not isinstance(value, bool):
        raise InputError("", f"{value!r} is neither true nor false", "give true or false")
    return value


def _is_literal(cls: Any) -> bool:
    return get_origin(cls) is Literal


def _object(value: Any, _: Any) -> dict[str, Any]:
    if not isinstance(value, dict):
        raise InputError("", f"{value!r} is not an object", "give a JSON object")
    return dict(value)


def _is_free_object(cls: Any) -> bool:
    return get_origin(cls) is dict


def _is_array(cls: Any) -> bool:
    return get_origin(cls) is tuple and get_args(cls)[1:] == (...,)


def _array_hook(cls: Any, converter: Converter) -> Callable[[Any, Any], Any]:
    build = homogenous_tuple_structure_factory(cls, converter)

    def read(value: Any, cls: Any) -> Any:
        if not isinstance(value, list | tuple):
            raise InputError("", f"{value!r} is not an array", "give a JSON array")
        return build(value, cls)

    return read


def _kinds(cls: Any) -> dict[str, Any]:
    """The members of a union of dataclasses by the literal in their field ``kind``; empty for any other type."""
    members = get_args(cls) if get_origin(cls) in (Union, UnionType) else ()
    if not all(is_dataclass(member) and "kind" in member.__dataclass_fields__ for member in members):
        return {}
    return {member.__dataclass_fields__["kind"].default: member for member in members}


def _one_of(value: Any, literal: Any) -> Any:
    if value not in get_args(literal):
        choices = ", ".join(map(str, get_args(literal)))
        refusal = UnknownChoice if isinstance(value, str) else InputError
        raise refusal("", f"{value!r} is not one of the choices", f"give one of: {choices}")
    return value


def _make_converter(*, pass_over_unknown: bool = False) -> Converter:
    converter = Converter(forbid_extra_keys=not pass_over_unknown)

    def object_hook(cls: Any) -> Any:
        build = make_dict_structure_fn(cls, converter, _cattrs_forbid_extra_keys=not pass_over_unknown)

        def read(value: Any, cls: Any) -> Any:
            if not isinstance(value, dict):
                raise InputError("", f"{value!r} is not an object", "give a JSON object")
            return build(value, cls)

        return read

    def union_hook(cls: Any) -> Any:
        kinds = _kinds(cls)

        def read(value: Any, _: Any) -> Any:
            if not isinstance(value, dict):
                raise InputError("", f"{value!r} is not an object", "give a JSON object")
            kind = value.get("kind")
            if not isinstance(kind, str) or kind not in kinds:
                refusal = UnknownChoice if isinstance(kind, str) else InputError
                raise refusal("kind", f"{kind!r} is none of the kinds", f"give one of: {', '.join(kinds)}")
            return converter.structure(value, kinds[kind])

        return read

    converter.register_structure_hook_factory(is_dataclass, object_hook)
    converter.register_structure_hook_factory(lambda cls: bool(_kinds(cls)), union_hook)
    converter.register_structure_hook_factory(_is_array, _array_hook)
    converter.register_structure_hook_func(_is_free_object, _object)
    converter.register_structure_hook_func(_is_literal, _one_of)
    converter.register_structure_hook(int, _whole)
    converter.register_structure_hook(float, _number)
    converter.register_structure_hook(str, _text)
    converter.register_structure_hook(bool, _truth)
    converter.register_structure_hook(datetime, lambda value, _: parse_instant(value))
    converter.register_unstructure_hook(datetime, format_instant)
    return converter


_CONVERTER = _make_converter()
_PATIENT = _make_converter(pass_over_unknown=True)


def _located(error: BaseException) -> InputError:
    """The first thing wrong, with the path to it."""
    if isinstance(error, ClassValidationError | IterableValidationError):
        noted, bare = error.group_exceptions()
        for inner, note in noted:
            step = note.name if isinstance(note, AttributeValidationNote) else f"[{note.index}]"
            return _join(step, _located(inner))
        return _located(bare[0])
    if isinstance(error, InputError):
        return error
    if isinstance(error, KeyError):
        return InputError("", "missing", "give a value")
    if isinstance(error, ForbiddenExtraKeysError):
        name = sorted(error.extra_fields)[0]
        known = ", ".join(sorted(_field_names(error.cl)))
        return InputError(name, "no such field", f"the fields are {known}")
    return InputError("", str(error) or "cannot be read", "see the description of this field in the API's schema")


def _join(step: str, error: InputError) -> InputError:
    separator = "" if not error.field or error.field.startswith("[") else "."
    refusal = UnknownChoice if isinstance(error, UnknownChoice) else InputError
    return refusal(f"{step}{separator}{error.field}", error.problem, error.remedy)


def _field_names(cls: type) -> list[str]:
    return [*getattr(cls, "__dataclass_fields__", {})]


def structure(data: Any, cls: TypeForm[T]) -> T:
    """Build a (nested) frozen dataclass from JSON values.

    Raises:
        UnknownChoice: the first thing wrong is a text that is none of the choices.
        InputError: names the first field that cannot be used or is not known, what is wrong and what would be right.
    """
    return _structured(_CONVERTER, data, cls)


def structure_lenient(data: Any, cls: TypeForm[T]) -> T:
    """As `structure`, but fields that are not known are ignored: what a program of a later version says may hold
    more than this one understands. A value that is not understood is refused all the same.

    Raises:
        UnknownChoice: the first thing wrong is a text that is none of the choices.
        InputError: names the first field that cannot be used, what is wrong and what would be right.
    """
    return _structured(_PATIENT, data, cls)


def _structured(converter: Converter, data: Any, cls: TypeForm[T]) -> T:
    try:
        return converter.structure(data, cls)  # type: ignore[arg-type]  # it takes every form of a type, and says a class
    except Exception as error:  # noqa: BLE001 - whatever a constructor raises becomes an answer at the door
        raise _located(error) from None


def unstructure(value: Any) -> dict[str, Any]:
    """A (nested) frozen dataclass as JSON values."""
    data: dict[str, Any] = _CONVERTER.unstructure(value)
    return data
