"""Bodies that are no JSON, or JSON that cannot be kept: refused before anything looks at their fields."""

from __future__ import annotations

import json
from http import HTTPStatus
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st

from machines.errors import InputError
from server.api.json_parser import LARGEST_BODY_BYTES, read_json
from server.api.problems import Unreadable
from tests.server.api.test_bad_input import problem
from tests.server.keys import events
from tests.server.studio import OPENING, VENUE, Caller

UNREADABLE = [
    b"{",
    b"",
    b"\xff\xfe",
    b'{"id": NaN}',
    b'{"id": 1e999',
    b"[" * 90_000,
    b'{"a": ' * 50_000 + b"1" + b"}" * 50_000,
    b'{"id": "quay"} {"id": "shed"}',
    b"9" * 100_000,
    b"\xef\xbb\xbf{}",
    b'{"anchor": ' + b"[" * 200 + b"]" * 200 + b"}",
    b'{"anchor": ' + b'{"a": ' * 400 + b"1" + b"}" * 401,
]


@pytest.mark.parametrize("body", UNREADABLE, ids=range(len(UNREADABLE)))
def test_a_body_that_is_not_json(studio: Caller, body: bytes) -> None:
    response = studio.post("venues", body)
    assert problem(response, HTTPStatus.BAD_REQUEST)["type"] == "/api/v1/problems/unreadable-body"
    assert not events().exists()


@pytest.mark.parametrize(
    "body", [b"[" * 100_001, b"[" + b"[]," * 100_000 + b"[]]", b'{"a":[' + b"{}," * 100_000 + b"1]}"]
)
def test_a_body_of_very_many_parts_is_not_even_parsed(studio: Caller, body: bytes) -> None:
    told = problem(studio.post("venues", body), HTTPStatus.REQUEST_ENTITY_TOO_LARGE)
    assert told["type"] == "/api/v1/problems/body-too-large"
    assert told["detail"] == "The body has more than 100,000 arrays and objects."
    assert not events().exists()


@pytest.mark.parametrize("body", [b"[]", b"null", b'"quay"', b"3", b"true"])
def test_json_that_is_not_an_object(studio: Caller, body: bytes) -> None:
    told = problem(studio.post("venues", body), HTTPStatus.UNPROCESSABLE_ENTITY)
    assert told["type"] == "/api/v1/problems/bad-input"
    assert told["remedy"]
    assert not events().exists()


@pytest.mark.parametrize(
    ("name", "value", "field"),
    [
        ("name", "Qu\0ay", "name"),
        ("name", "Qu\ud800ay", "name"),
        ("elevation_m", 2**53, "elevation_m"),
        ("elevation_m", -(2**53), "elevation_m"),
    ],
)
def test_values_that_no_store_keeps(studio: Caller, name: str, value: Any, field: str) -> None:
    body = json.dumps(VENUE | {name: value}).encode()
    assert problem(studio.post("venues", body), HTTPStatus.UNPROCESSABLE_ENTITY)["field"] == field


@pytest.mark.parametrize("number", [b"1e400", b"-1e400"])
def test_a_number_that_no_float_holds(studio: Caller, number: bytes) -> None:
    told = problem(studio.post("venues", b'{"more": {"deep": [' + number + b"]}}"), HTTPStatus.UNPROCESSABLE_ENTITY)
    assert (told["field"], told["problem"]) == ("more.deep[0]", "a number too large")


@pytest.mark.parametrize("name", ["id", "zone", "latitude_degrees"])
def test_a_problem_does_not_repeat_megabytes(studio: Caller, name: str) -> None:
    answer = studio.post("venues", VENUE | {name: "a" * 3_000_000})
    told = problem(answer, HTTPStatus.UNPROCESSABLE_ENTITY)
    assert told["field"] == name
    assert len(answer.content) < 2_000
    assert "…" in told["problem"]
    assert len(studio.post("venues", VENUE | {"a" * 3_000_000: 1}).content) < 3_000


def test_whatever_is_read_is_not_too_deep_to_be_kept(studio: Caller, node: Caller) -> None:
    """In the form of an entry that this server does not know: it is set aside whole, within an event."""
    deepest = b"[" * 197 + b"]" * 197
    entry = b'{"kind": "lamp-lit", "seq": 1, "at": "2026-03-20T05:00:00Z", "of": ' + deepest + b"}"
    assert node.post("node/reports", b'{"epoch": 1, "entries": [' + entry + b"]}").json() == {"accepted_through": 1}
    (kept,) = events().filter(kind="entry-set-aside")
    assert kept.data["entry"]["of"] == json.loads(deepest)
    told = studio.post("openings", OPENING | {"anchor": json.loads(b"[" * 199 + b"]" * 199)})
    assert problem(told, HTTPStatus.UNPROCESSABLE_ENTITY)["field"] == "anchor"


def test_a_name_given_twice(studio: Caller) -> None:
    told = problem(studio.post("venues", b'{"id": "quay", "id": "shed"}'), HTTPStatus.UNPROCESSABLE_ENTITY)
    assert told["field"] == "id"


def test_a_body_that_is_too_large(studio: Caller) -> None:
    body = b'{"id": "' + b"a" * LARGEST_BODY_BYTES + b'"}'
    told = problem(studio.post("venues", body), HTTPStatus.REQUEST_ENTITY_TOO_LARGE)
    assert told["type"] == "/api/v1/problems/body-too-large"
    assert not events().exists()


@pytest.mark.parametrize("media_type", ["text/plain", "application/x-www-form-urlencoded", "multipart/form-data", ""])
def test_a_body_of_another_media_type(studio: Caller, media_type: str) -> None:
    told = problem(studio.post("venues", b"id=quay", content_type=media_type), HTTPStatus.UNSUPPORTED_MEDIA_TYPE)
    assert "send the body as application/json" in told["detail"]


@given(
    text=st.binary(max_size=200)
    | st.recursive(st.text() | st.floats() | st.integers() | st.none(), st.lists).map(
        lambda value: json.dumps(value).encode()
    )
)
def test_a_body_is_read_or_refused_and_what_was_read_can_be_stored(text: bytes) -> None:
    try:
        value = read_json(text)
    except (Unreadable, ValueError):
        return
    assert json.loads(json.dumps(value, ensure_ascii=False, allow_nan=False).encode()) == value


@given(
    st.recursive(
        st.text() | st.floats(allow_nan=False, allow_infinity=False) | st.integers() | st.booleans() | st.none(),
        lambda inner: st.lists(inner) | st.dictionaries(st.text(), inner),
    ),
    st.booleans(),
)
def test_it_says_what_the_reader_of_python_says(value: Any, escaped: bool) -> None:
    try:
        text = json.dumps(value, ensure_ascii=escaped).encode()
        assert repr(read_json(text)) == repr(json.loads(text))
    except (UnicodeEncodeError, InputError):
        return


@pytest.mark.parametrize(
    ("text", "field", "said"),
    [
        (b'{"entries": [{"seq": 1, "at": "now", "seq": 1}]}', "seq", "given twice"),
        (b'{"a": {"b": [], "b": {"c": 1}}}', "b", "given twice"),
        (b'{"a": ["x", {"b": 100000000000000000000}]}', "a[1].b", "100000000000000000000 is too large"),
        (b'{"a": {"b\\u0000": 1}}', "a", "text with a NUL or half a character in it"),
    ],
)
def test_what_is_wrong_is_named_however_little_else_is(text: bytes, field: str, said: str) -> None:
    with pytest.raises(InputError) as refused:
        read_json(text)
    assert (refused.value.field, refused.value.problem) == (field, said)


@pytest.mark.parametrize("text", [b"1.7976931348623157e308", b"-1e300", b"[1e16]"])
def test_a_large_number_that_is_none_of_whole_ones_is_read(text: bytes) -> None:
    assert read_json(text) == json.loads(text)
