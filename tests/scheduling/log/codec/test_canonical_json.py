"""One form for equal values, over random ones, and what it refuses."""

from __future__ import annotations

import json
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st

from machines.errors import InputError
from scheduling.log.codec.canonical_json import canonical

TEXTS = st.text(st.characters(exclude_characters="\0", exclude_categories=("Cs",)))
ATOMS = (
    st.none()
    | st.booleans()
    | st.integers(1 - 2**53, 2**53 - 1)
    | st.floats(allow_nan=False, allow_infinity=False)
    | TEXTS
    | st.from_regex(r"\\*u0000", fullmatch=True)
)
VALUES = st.recursive(ATOMS, lambda inner: st.lists(inner) | st.dictionaries(TEXTS, inner), max_leaves=12)


@given(VALUES)
def test_a_value_reads_back_as_it_was_to_the_same_text(value: Any) -> None:
    text = canonical(value)
    assert repr(json.loads(text)) == repr(_in_order(value))  # equal is not enough: 3 == 3.0 == True
    assert canonical(json.loads(text)) == text


def _in_order(value: Any) -> Any:
    """With the names of each object in order."""
    if isinstance(value, dict):
        return {name: _in_order(value[name]) for name in sorted(value)}
    return [_in_order(item) for item in value] if isinstance(value, list) else value


def test_names_are_in_order_whatever_the_order_before() -> None:
    assert canonical({"b": {"z": 1, "a": 2.0}, "a": "é"}) == canonical({"a": "é", "b": {"a": 2.0, "z": 1}})
    assert canonical({"b": {"z": 1, "a": 2.0}, "a": "é"}) == '{"a":"é","b":{"a":2.0,"z":1}}'


@pytest.mark.parametrize("value", [2**53, -(2**53), "\ud800", object(), b"bytes", {1: 2}])
def test_what_json_cannot_say_is_refused(value: object) -> None:
    with pytest.raises(InputError):
        canonical({"value": value})


@pytest.mark.parametrize("number", [float("nan"), float("inf"), float("-inf")])
def test_a_number_that_is_not_finite_is_refused_wherever_it_stands(number: float) -> None:
    for value in (number, [None, number], (1.5, (number,)), {"a": None, "b": {"c": [number]}}):
        with pytest.raises(InputError, match="not finite"):
            canonical(value)


@pytest.mark.parametrize("text", ["\0", "a\0b", "\\\0", '"\0'])
def test_a_zero_character_is_refused(text: str) -> None:
    for value in ({"text": text}, {text: 1}):
        with pytest.raises(InputError, match="zero character"):
            canonical(value)
