"""What may get into the log: the quick test agrees with the slow one that reads an event back."""

from __future__ import annotations

import dataclasses
from datetime import UTC, datetime
from typing import Any

import numpy as np
import pytest

from machines.recovery import Columns
from scheduling.log.events import Event
from scheduling.log.fitting import fits
from tests.scheduling.log.facts import NOW, ONE_OF_EACH, gap_settled, printed, run, segments, source, venue


@pytest.mark.parametrize("event", [event for _, event in ONE_OF_EACH], ids=lambda event: type(event).__name__)
def test_one_of_each_fits(event: Event) -> None:
    assert fits(event)


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
    assert fits(event)
    assert not fits(dataclasses.replace(event, **changes))


def test_a_whole_number_may_stand_for_a_float() -> None:
    assert fits(venue(elevation_m=12))


def test_any_zone_will_do_for_an_instant() -> None:
    assert fits(printed(1, 0, 10, at=datetime(2026, 1, 1, tzinfo=UTC)))
