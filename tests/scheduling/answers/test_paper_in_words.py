"""Which place of the picture columns are, in words."""

from __future__ import annotations

from typing import Any

import pytest

from machines.serialization import structure
from scheduling.answers.paper_at_told import ColumnsTold
from scheduling.answers.paper_in_words import place_in_words

SPAN = {
    "begins_at": "2026-03-20T12:00:00Z",
    "ends_at": "2026-03-20T12:30:00Z",
    "in_words": "between 12:00 and 12:30",
    "by_clocks": [],
}
COLUMNS: dict[str, Any] = {
    "run": "spring",
    "turn": 7,
    "first_column": 2520,
    "end_column": 2530,
    "first_phase": 0.25,
    "end_phase": 0.75,
    "first_longitude": 0.0,
    "end_longitude": -42.04,
    "stands": "on the map",
    "turns": 0.5,
    "length_mm": 5.0,
    "due": SPAN,
}


@pytest.mark.parametrize(
    "fields, said",
    [
        ({}, "longitude 0.0° to 42.0° W on the map"),
        ({"first_longitude": -180.0, "end_longitude": 179.9}, "longitude 180.0° to 179.9° E on the map"),
        ({"turns": 1.0, "end_longitude": 0.0}, "a whole turn, longitude 0.0° to 0.0° on the map"),
        ({"turns": 2.5}, "2.5 turns, longitude 0.0° to 42.0° W on the map"),
        ({"first_longitude": None, "end_longitude": None}, "phase 0.250 to 0.750 of turn 7"),
    ],
)
def test_a_place_is_said_with_its_half_of_the_world_and_whole_turns_before_it(
    fields: dict[str, Any], said: str
) -> None:
    assert place_in_words(structure(COLUMNS | fields, ColumnsTold)) == said
