"""Names that the studio gives to things."""

from __future__ import annotations

import pytest

from machines.errors import InputError
from scheduling.commands.additions import AddVenue
from scheduling.queries.names import check_name


@pytest.mark.parametrize(
    "name", ["Quay House", "Lámpa 😀", "बोथाउस", "می\u200cخواهم", "\u200fבית\u200f", "👩\u200d🔧", "x" * 120, " a "]
)
def test_a_name_is_of_any_script(name: str) -> None:
    venue = AddVenue(id="quay", name=name, latitude_degrees=38.7, longitude_degrees=-9.1, zone="Europe/Lisbon")
    assert venue.name == name


@pytest.mark.parametrize("name", ["", "   ", "x" * 121])
def test_a_name_is_neither_empty_nor_long(name: str) -> None:
    with pytest.raises(InputError, match="1 to 120"):
        check_name(name)


@pytest.mark.parametrize("letter", ["\u202a", "\u202e", "\u2066", "\u2069"])
def test_a_name_shows_what_it_has(letter: str) -> None:
    with pytest.raises(InputError, match="cannot stand in a name"):
        check_name(f"Quay{letter}House")
