"""What may get into the log, and as which text: it says what the event's JSON values say, and is read as the event."""

from __future__ import annotations

import dataclasses
import json
from datetime import UTC, datetime
from typing import Any
from zoneinfo import ZoneInfo

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from machines.errors import InputError
from machines.recovery import Columns
from machines.serialization import unstructure
from scheduling.log.codec.canonical_json import canonical
from scheduling.log.codec.encoder import encode
from scheduling.log.events import EVENT_KINDS, Event, from_data, schema_of
from tests.scheduling.log.facts import (
    NOW,
    ONE_OF_EACH,
    acted,
    gap_settled,
    opening,
    printed,
    profile,
    run,
    segments,
    source,
    venue,
)
from tests.scheduling.log.histories import HISTORIES, History


def kept(event: Event) -> tuple[str, str, Event]:
    """What is in the log of an event: its JSON values, and the event that is read, to the last type and by itself."""
    text, read = encode(event)
    return canonical(json.loads(text)), repr(read), read  # equal is not enough: 3 == 3.0 == True


def as_checked(event: Event) -> tuple[str, str, Event]:
    """The same by way of the values that the API would show, read with all checks."""
    kind, said = EVENT_KINDS[type(event)], unstructure(event)
    return canonical(said), repr(from_data(kind, schema_of(kind), said)), event


@pytest.mark.parametrize("event", [event for _, event in ONE_OF_EACH], ids=lambda event: type(event).__name__)
def test_one_of_each_is_kept_as_it_is(event: Event) -> None:
    assert kept(event) == as_checked(event)


@given(HISTORIES)
def test_whatever_is_said_is_kept_as_it_is(history: History) -> None:
    for appends in history.appends():
        for event in (event for one in appends for event in one.events):
            assert kept(event) == as_checked(event)


FLOATS = st.floats(allow_nan=False, allow_infinity=False)
NUMBERS = FLOATS | st.integers(-(2**60), 2**60)
TEXTS = st.text(st.characters()) | st.sampled_from(["\0", "\ud800", "\x7f", '"\\', "\u2028", "\U0001f600"])


@given(name=TEXTS, elevation_m=FLOATS, anchor=st.dictionaries(TEXTS, NUMBERS | TEXTS | st.none() | st.booleans()))
def test_odd_numbers_and_texts_are_kept_or_refused_as_json_values_are(
    name: str, elevation_m: float, anchor: dict[str, Any]
) -> None:
    for event in (venue(name=name, elevation_m=elevation_m), opening(name=name, anchor=anchor)):
        try:
            canonical(unstructure(event))
        except InputError:
            with pytest.raises(InputError):
                encode(event)
        else:
            assert kept(event) == as_checked(event)


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
        (printed(1, 0, 10), {"seq": 2**53}),
        (printed(1, 0, 10), {"at": NOW.replace(tzinfo=None)}),
        (printed(1, 0, 10), {"at": "2026-03-28T23:30:00Z"}),
        (printed(1, 0, 10), {"kind": "gap-settled"}),
        (printed(1, 0, 10), {"columns": (0, 10)}),
        (printed(1, 0, 10), {"columns": {"first": 0, "end": 10}}),
        (printed(1, 0, 10), {"columns": dataclasses.replace(Columns(first=0, end=1), first=0.0)}),
        (acted(1, "set-time"), {"error_s": float("nan")}),
        (acted(1, "set-time"), {"error_s": "2"}),
        (acted(1, "test-pattern"), {"pattern": "none"}),
        (run(), {"cycle_options": {1: 86400.0}}),
        (run(), {"cycle_options": {"turn_s": float("inf")}}),
        (run(), {"cycle_options": None}),
        (segments(0), {"segments": [segments(0).segments[0]]}),
        (segments(0), {"segments": (None,)}),
        (source(), {"picture": [("kind", "land")]}),
        (gap_settled(1, 0, 1, 2), {"policy": "skip"}),
        (profile(), {"profile": dataclasses.replace(profile().profile, head=NOW)}),  # type: ignore[arg-type]
    ],
)
def test_what_is_not_as_its_class_says_does_not(event: Any, changes: dict[str, Any]) -> None:
    encode(event)
    with pytest.raises(InputError, match="event: "):
        encode(dataclasses.replace(event, **changes))


def test_a_whole_number_may_stand_for_a_float() -> None:
    assert repr(encode(venue(elevation_m=12))[1]) == repr(venue(elevation_m=12.0))


def test_any_zone_will_do_for_an_instant() -> None:
    instant = datetime(2026, 1, 1, tzinfo=UTC)
    there = instant.astimezone(ZoneInfo("Pacific/Chatham"))
    text, read = encode(printed(1, 0, 10, at=there))
    assert '"at":"2026-01-01T00:00:00.000000Z"' in text
    assert repr(read) == repr(printed(1, 0, 10, at=instant))


def test_an_event_that_was_read_can_be_kept_again() -> None:
    text, read = encode(segments(0, 1))
    assert encode(read) == (text, read)
