"""JSON into dataclasses and back: nothing is coerced silently, and an error names the field."""

from __future__ import annotations

import json
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta, timezone
from typing import Any, Literal

import pytest
from hypothesis import given
from hypothesis import strategies as st

from machines.errors import InputError
from machines.serialization import format_instant, parse_instant, structure, structure_lenient, unstructure


@dataclass(frozen=True, kw_only=True)
class Leg:
    length_mm: float
    colour: Literal["black", "white"] = "black"


@dataclass(frozen=True, kw_only=True)
class Table:
    name: str
    count: int
    folds: bool
    made_at: datetime
    legs: tuple[Leg, ...]
    spare: Leg | None = None


GOOD: dict[str, Any] = {
    "name": "bench",
    "count": 2,
    "folds": False,
    "made_at": "2026-10-24T12:00:00.000000Z",
    "legs": [{"length_mm": 700, "colour": "white"}],
}


def test_good_values_become_the_dataclass() -> None:
    table = structure(GOOD, Table)
    assert table.legs == (Leg(length_mm=700.0, colour="white"),)
    assert table.made_at == datetime(2026, 10, 24, 12, tzinfo=UTC)
    assert table.spare is None


def test_there_and_back_is_the_same() -> None:
    table = structure(GOOD | {"spare": {"length_mm": 1.5}}, Table)
    assert structure(json.loads(json.dumps(unstructure(table))), Table) == table


@pytest.mark.parametrize(
    ("changes", "field"),
    [
        ({"count": "2"}, "count"),
        ({"count": 2.0}, "count"),
        ({"count": True}, "count"),
        ({"name": 7}, "name"),
        ({"folds": 0}, "folds"),
        ({"folds": "false"}, "folds"),
        ({"made_at": "2026-10-24T12:00:00"}, "made_at"),
        ({"made_at": 0}, "made_at"),
        ({"legs": [{"length_mm": "700"}]}, "legs[0].length_mm"),
        ({"legs": [{"length_mm": 1.0}, {"length_mm": float("nan")}]}, "legs[1].length_mm"),
        ({"legs": [{"length_mm": 1.0, "colour": "red"}]}, "legs[0].colour"),
        ({"legs": [7]}, "legs[0]"),
        ({"legs": [{}]}, "legs[0].length_mm"),
        ({"wheels": 4}, "wheels"),
        ({"spare": {"length_mm": 1.0, "wheels": 4}}, "spare.wheels"),
    ],
)
def test_what_cannot_be_used_is_named(changes: dict[str, Any], field: str) -> None:
    with pytest.raises(InputError) as raised:
        structure(GOOD | changes, Table)
    assert raised.value.field == field
    assert raised.value.problem
    assert raised.value.remedy


@pytest.mark.parametrize("field", list(GOOD))
def test_what_is_missing_is_named(field: str) -> None:
    with pytest.raises(InputError) as raised:
        structure({name: value for name, value in GOOD.items() if name != field}, Table)
    assert (raised.value.field, raised.value.problem) == (field, "missing")


@pytest.mark.parametrize("data", [None, [], "table", 3])
def test_a_dataclass_comes_from_an_object(data: Any) -> None:
    with pytest.raises(InputError, match="not an object"):
        structure(data, Table)


def test_an_unknown_field_is_answered_with_the_known_ones() -> None:
    with pytest.raises(InputError, match="colour, length_mm"):
        structure({"length_mm": 1.0, "width_mm": 1.0}, Leg)


def test_what_a_newer_program_says_more_is_ignored_and_nothing_else() -> None:
    newer = GOOD | {"legs": [{"length_mm": 700, "colour": "white", "wood": "ash"}], "varnish": {"coats": 2}}
    assert structure_lenient(newer, Table) == structure(GOOD, Table)
    with pytest.raises(InputError) as refusal:
        structure_lenient(newer | {"legs": [{"length_mm": 700, "colour": "teal"}]}, Table)
    assert refusal.value.field == "legs[0].colour"


instants = st.datetimes(datetime(1900, 1, 1), datetime(2200, 1, 1), timezones=st.just(UTC))  # noqa: DTZ001 - hypothesis wants its bounds naive


@given(instants)
def test_an_instant_survives_the_wire_to_the_microsecond(instant: datetime) -> None:
    text = format_instant(instant)
    assert text.endswith("Z")
    assert len(text) == len("2026-10-24T12:00:00.000000Z")
    assert parse_instant(text) == instant


def test_an_instant_of_another_offset_is_the_same_instant() -> None:
    newfoundland = timezone(timedelta(hours=-2, minutes=-30))
    local = datetime(2026, 10, 24, 9, 30, tzinfo=newfoundland)
    assert format_instant(local) == "2026-10-24T12:00:00.000000Z"
    assert parse_instant("2026-10-24T09:30:00-02:30") == local


def test_a_naive_date_time_is_no_instant() -> None:
    with pytest.raises(ValueError, match="naive"):
        format_instant(datetime(2026, 1, 1))  # noqa: DTZ001 - that is what is tested
    with pytest.raises(InputError, match="no offset"):
        parse_instant("2026-01-01T00:00:00", "at")


@pytest.mark.parametrize("text", ["noon", "", None, 12, "2026-02-30T00:00:00Z", "2026-01-01T25:00:00Z"])
def test_what_is_no_date_time_is_refused(text: Any) -> None:
    with pytest.raises(InputError) as raised:
        parse_instant(text, "at")
    assert raised.value.field == "at"


def test_an_error_can_be_seen_from_further_out() -> None:
    error = InputError("nozzles", "0 nozzles", "give 1 or more").within("head")
    assert error.field == "head.nozzles"
    assert InputError("", "missing", "give it").within("head").field == "head"


@pytest.mark.parametrize(
    ("text", "second"),
    [
        ("2026-10-24T12:00:00Z", 0),
        ("2026-10-24t12:00:00z", 0),
        ("2026-10-24 12:00:00Z", 0),
        ("2026-10-24T09:30:07-02:30", 7),
        ("2026-10-24T12:00:59.5Z", 59.5),
        ("2026-10-24T12:00:01.1234567891Z", 1.123456),
    ],
)
def test_what_rfc_3339_writes_is_read(text: str, second: float) -> None:
    """The forms that section 5.6 of RFC 3339 and its notes allow."""
    assert parse_instant(text) == datetime(2026, 10, 24, 12, tzinfo=UTC) + timedelta(seconds=second)


@pytest.mark.parametrize(
    "text",
    [
        "20261024T120000Z",
        "2026-W43-6T12:00:00Z",
        "2026-W43-6T12:00:00.000000Z",
        "2026-297T12:00:00Z",
        "2026-10-24T12Z",
        "2026-10-24T12:00Z",
        "2026-10-24T12:00:00,5Z",
        "2026-10-24T12:00:00,500000Z",
        "2026-10-24T12:00:00+00:00:30",
        "2026-10-24T12:00:00+0000",
        "2026-10-24T24:00:00Z",
        "2026-10-24T12:00:00.Z",
        "2026-10-24T12:00:00Z\n",
        "2026-10-24T12:00:00+24:00",
        "\u0662026-10-24T12:00:00Z",
        "2026-10-24_12:00:00Z",
    ],
)
def test_other_forms_of_iso_8601_are_refused(text: str) -> None:
    with pytest.raises(InputError, match="is not a date-time; give RFC 3339") as raised:
        parse_instant(text, "at")
    assert raised.value.field == "at"


@pytest.mark.parametrize("text", ["0001-01-01T00:00:00+00:01", "9999-12-31T23:59:59-00:01"])
def test_an_instant_beyond_the_calendar_is_refused(text: str) -> None:
    with pytest.raises(InputError, match="no year from 1 to 9999"):
        parse_instant(text, "at")


@pytest.mark.parametrize("text", ["2016-12-31T23:59:60Z", "2016-12-31T23:59:60.000000Z", "2017-01-01T00:59:60.5+01:00"])
def test_a_leap_second_is_refused_as_what_it_is(text: str) -> None:
    """RFC 3339 section 5.7 allows it; POSIX seconds, and so `datetime`, have no name for it."""
    with pytest.raises(InputError, match=r"leap second.*the second before it or after it"):
        parse_instant(text, "at")


@dataclass(frozen=True, kw_only=True)
class Drawer:
    depths_mm: tuple[float, ...]
    labels: dict[str, Any]


@pytest.mark.parametrize("value", [None, True, 7, 0.5, "12", {}, {"0": 1.0}])
def test_an_array_comes_from_an_array(value: Any) -> None:
    with pytest.raises(InputError, match="not an array; give a JSON array") as raised:
        structure({"depths_mm": value, "labels": {}}, Drawer)
    assert raised.value.field == "depths_mm"


@pytest.mark.parametrize("value", [None, False, 7, "ab", [], [["a", 1]]])
def test_a_free_object_comes_from_an_object(value: Any) -> None:
    with pytest.raises(InputError, match="not an object; give a JSON object") as raised:
        structure({"depths_mm": [], "labels": value}, Drawer)
    assert raised.value.field == "labels"


def test_an_array_and_a_free_object_are_read() -> None:
    drawer = structure({"depths_mm": [1, 2.5], "labels": {"a": [None, {"b": 1}]}}, Drawer)
    assert drawer == Drawer(depths_mm=(1.0, 2.5), labels={"a": [None, {"b": 1}]})
    assert structure(unstructure(drawer), Drawer) == drawer
