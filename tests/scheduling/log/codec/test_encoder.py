"""What may get into the log, and as which text: the quick way agrees with the slow one."""

from __future__ import annotations

import dataclasses
import json
from datetime import UTC, datetime
from typing import Any, Literal
from zoneinfo import ZoneInfo

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from machines.errors import InputError
from machines.model.profile import CarriageHead, LineHead
from machines.recovery import Columns
from scheduling.log.codec.canonical_json import canonical
from scheduling.log.codec.decoder import read_event
from scheduling.log.codec.encoder import WrongType, text_of
from scheduling.log.events import EVENT_KINDS, Event, from_data, schema_of, to_data
from tests.scheduling.log.facts import NOW, ONE_OF_EACH, gap_settled, opening, printed, run, segments, source, venue
from tests.scheduling.log.histories import HISTORIES, History


@dataclasses.dataclass(frozen=True)
class Maybe:
    """Every field may be left out."""

    number: float | None = None
    word: Literal["one"] | None = None
    row: tuple[int, ...] | None = None
    head: CarriageHead | LineHead | None = None


def slowly(event: Event) -> str:
    """By way of JSON values, and read back to see that it fits."""
    data, kind = to_data(event), EVENT_KINDS[type(event)]
    assert from_data(kind, schema_of(kind), json.loads(json.dumps(data))) == event
    return canonical(data)


@pytest.mark.parametrize("event", [event for _, event in ONE_OF_EACH], ids=lambda event: type(event).__name__)
def test_one_of_each_is_written_as_its_json_values_are(event: Event) -> None:
    assert text_of(event) == slowly(event)


@given(HISTORIES)
def test_whatever_is_said_is_written_as_its_json_values_are(history: History) -> None:
    for appends in history.appends():
        for event in (event for one in appends for event in one.events):
            assert text_of(event) == slowly(event)


NUMBERS = st.floats(allow_nan=False, allow_infinity=False) | st.integers(-(2**60), 2**60)
TEXTS = st.text(st.characters()) | st.sampled_from(["\0", "\ud800", "\x7f", '"\\', "\u2028", "\U0001f600"])


@given(name=TEXTS, elevation_m=NUMBERS, anchor=st.dictionaries(TEXTS, NUMBERS | TEXTS | st.none() | st.booleans()))
def test_odd_numbers_and_texts_are_written_or_refused_as_their_json_values_are(
    name: str, elevation_m: float, anchor: dict[str, Any]
) -> None:
    for event in (venue(name=name, elevation_m=elevation_m), opening(name=name, anchor=anchor)):
        try:
            expected = canonical(to_data(event))
        except InputError:
            with pytest.raises(InputError):
                text_of(event)
        else:
            assert text_of(event) == expected


@pytest.mark.parametrize(
    ("event", "changes"),
    [
        (venue(), {"name": 5}),
        (venue(), {"name": None}),
        (venue(), {"elevation_m": "12"}),
        (venue(), {"elevation_m": True}),
        (venue(), {"elevation_m": float("nan")}),
        (venue(), {"elevation_m": float("inf")}),
        (venue(), {"elevation_m": np.float32(1)}),
        (printed(1, 0, 10), {"seq": 1.0}),
        (printed(1, 0, 10), {"seq": True}),
        (printed(1, 0, 10), {"seq": np.int64(1)}),
        (printed(1, 0, 10), {"at": NOW.replace(tzinfo=None)}),
        (printed(1, 0, 10), {"at": "2026-03-28T23:30:00Z"}),
        (printed(1, 0, 10), {"kind": "gap-settled"}),
        (printed(1, 0, 10), {"columns": (0, 10)}),
        (printed(1, 0, 10), {"columns": dataclasses.replace(Columns(first=0, end=1), first=0.0)}),
        (run(), {"cycle_options": {1: 86400.0}}),
        (run(), {"cycle_options": None}),
        (segments(0), {"segments": [segments(0).segments[0]]}),
        (segments(0), {"segments": (None,)}),
        (source(), {"picture": [("kind", "land")]}),
        (gap_settled(1, 0, 1, 2), {"policy": "skip"}),
    ],
)
def test_what_is_not_as_its_class_says_does_not(event: Any, changes: dict[str, Any]) -> None:
    text_of(event)
    with pytest.raises(WrongType):
        text_of(dataclasses.replace(event, **changes))


def test_a_whole_number_may_stand_for_a_float() -> None:
    assert text_of(venue(elevation_m=12)) == text_of(venue(elevation_m=12.0))


def test_what_may_be_left_out_may_be_given() -> None:
    head = CarriageHead(nozzles=16, passes=4, drop_pl=4.0)
    assert text_of(Maybe()) == '{"head":null,"number":null,"row":null,"word":null}'
    given = Maybe(number=2, word="one", row=(1,), head=head)
    assert text_of(given) == f'{{"head":{text_of(head)},"number":2,"row":[1],"word":"one"}}'
    for changes in ({"number": "2"}, {"number": True}, {"word": "two"}, {"row": [1]}, {"head": NOW}):
        with pytest.raises(WrongType):
            text_of(dataclasses.replace(given, **changes))  # type: ignore[arg-type]


def test_any_zone_will_do_for_an_instant() -> None:
    instant = datetime(2026, 1, 1, tzinfo=UTC)
    there = instant.astimezone(ZoneInfo("Pacific/Chatham"))
    assert text_of(printed(1, 0, 10, at=there)) == text_of(printed(1, 0, 10, at=instant))


def test_an_event_that_was_read_can_be_written_again() -> None:
    text = text_of(segments(0, 1))
    assert text_of(read_event("segments-planned", 1, text)) == text


def test_a_field_of_a_type_that_nobody_thought_of_is_the_programmers_error() -> None:
    @dataclasses.dataclass
    class Odd:
        ways: set[str]

    with pytest.raises(TypeError, match="no event can have"):
        text_of(Odd({"one"}))
