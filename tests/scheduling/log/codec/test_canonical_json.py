"""Canonical JSON against the published samples of RFC 8785 and, over random values, the reference implementation."""

from __future__ import annotations

import json
import struct

import pytest
import rfc8785
from hypothesis import given
from hypothesis import strategies as st

from machines.errors import InputError
from scheduling.log.codec.canonical_json import LARGEST_WHOLE, canonical

# RFC 8785 (Rundgren, Jordan, Erdtman, June 2020), Appendix B, via transcriptions of the table in public test suites.
APPENDIX_B = [
    ("0000000000000000", "0"),
    ("8000000000000000", "0"),
    ("0000000000000001", "5e-324"),
    ("8000000000000001", "-5e-324"),
    ("7fefffffffffffff", "1.7976931348623157e+308"),
    ("ffefffffffffffff", "-1.7976931348623157e+308"),
    ("44b52d02c7e14af5", "9.999999999999997e+22"),
    ("44b52d02c7e14af6", "1e+23"),
    ("44b52d02c7e14af7", "1.0000000000000001e+23"),
    ("444b1ae4d6e2ef50", "1e+21"),
    ("3eb0c6f7a0b5ed8c", "9.999999999999997e-7"),
    ("3eb0c6f7a0b5ed8d", "0.000001"),
    ("41b3de4355555553", "333333333.3333332"),
    ("41b3de4355555554", "333333333.33333325"),
    ("41b3de4355555555", "333333333.3333333"),
    ("41b3de4355555556", "333333333.3333334"),
    ("41b3de4355555557", "333333333.33333343"),
    ("becbf647612f3696", "-0.0000033333333333333333"),
    ("43143ff3c1cb0959", "1424953923781206.2"),
]
# The rows of the same table that the log refuses, because they read back as whole numbers that are not exact.
APPENDIX_B_REFUSED = ["4340000000000000", "c340000000000000", "4430000000000000", "444b1ae4d6e2ef4e"]


def double(bits: str) -> float:
    (value,) = struct.unpack(">d", bytes.fromhex(bits))
    return float(value)


@pytest.mark.parametrize(("bits", "text"), APPENDIX_B)
def test_numbers_of_appendix_b(bits: str, text: str) -> None:
    assert canonical({"n": double(bits)}) == f'{{"n":{text}}}'


@pytest.mark.parametrize("bits", APPENDIX_B_REFUSED)
def test_whole_floats_that_would_not_read_back_are_refused(bits: str) -> None:
    with pytest.raises(InputError, match="beyond the whole numbers"):
        canonical({"n": double(bits)})


def test_sample_of_section_3_2_2() -> None:
    # RFC 8785 section 3.2.2, the sample of serialisation, via a transcription in a public test suite.
    sample = {
        "numbers": [333333333.33333329, 1e30, 4.50, 2e-3, 0.000000000000000000000000001],
        "string": "€$\u000f\u000aA'\u0042\u0022\u005c\\\"/",
        "literals": [None, True, False],
    }
    assert canonical(sample) == (
        '{"literals":[null,true,false],"numbers":[333333333.3333333,1e+30,4.5,0.002,1e-27],'
        '"string":"€$\\u000f\\nA\'B\\"\\\\\\\\\\"/"}'
    )


def test_keys_are_sorted_as_utf_16() -> None:
    # RFC 8785 section 3.2.3: property names are sorted by UTF-16 code units; a surrogate (D83D) comes before FB33.
    assert canonical({"\ufb33": 1, "\U0001f600": 2, "\u20ac": 3}) == '{"\u20ac":3,"\U0001f600":2,"\ufb33":1}'


ATOMS = (
    st.none()
    | st.booleans()
    | st.integers(-LARGEST_WHOLE, LARGEST_WHOLE)
    | st.floats(allow_nan=False, allow_infinity=False).filter(lambda x: not x.is_integer() or abs(x) < 2**53)
    | st.text(st.characters(exclude_characters="\0", exclude_categories=("Cs",)))
    | st.from_regex(r"[:\[,]-?[0-9]{1,20}(\.0|e[-+]?[0-9])?[,}\]]", fullmatch=True)
)
KEYS = st.text(st.characters(exclude_characters="\0", exclude_categories=("Cs",)))
VALUES = st.recursive(ATOMS, lambda inner: st.lists(inner) | st.dictionaries(KEYS, inner), max_leaves=12)


@given(st.dictionaries(KEYS, VALUES))
def test_the_bytes_are_those_of_the_reference_implementation_and_read_back_to_the_same(
    value: dict[str, object],
) -> None:
    text = canonical(value)
    assert text == rfc8785.dumps(value).decode()  # type: ignore[arg-type]
    assert canonical(json.loads(text)) == text


@pytest.mark.parametrize(
    "value",
    [float("nan"), float("inf"), -float("inf"), 2**53, -(2**53), 2.0**53, "\ud800", object(), b"bytes"],
)
def test_what_json_cannot_say_is_refused(value: object) -> None:
    with pytest.raises(InputError):
        canonical({"value": value})


@pytest.mark.parametrize("text", ["\0", "a\0b", "\\\0", '"\0'])
def test_a_zero_character_is_refused(text: str) -> None:
    with pytest.raises(InputError, match="zero character"):
        canonical({"text": text})


@pytest.mark.parametrize("text", ["\\u0000", "\\\\u0000", "u0000"])
def test_text_that_only_looks_like_one_is_not(text: str) -> None:
    assert json.loads(canonical({"text": text})) == {"text": text}


@pytest.mark.parametrize("text", [":12345678901234567890,", "[1.0]", ",1e-7}", ":NaN"])
def test_text_that_only_looks_like_a_number_is_not(text: str) -> None:
    assert json.loads(canonical({"text": text})) == {"text": text}
