"""The vocabulary: what was once written can be read for ever."""

from __future__ import annotations

import json
from pathlib import Path
from typing import Any, get_args

import pytest

from machines.errors import InputError
from machines.protocol.journal_entries import Entry
from machines.serialization import unstructure
from scheduling.log import events
from scheduling.log.codec.canonical_json import canonical
from scheduling.log.events import EVENT_CLASSES, EVENT_KINDS, from_data, schema_of
from scheduling.log.events.equipment import VenueAdded
from tests.scheduling.log.facts import ONE_OF_EACH, venue

# One file for each kind and version, <kind>.<version>.json, kept for ever: a file is added with a new version and
# never changed or removed.
SAMPLES = Path(__file__).parents[1] / "samples"
WRITTEN = sorted(SAMPLES.glob("*.json"))


def sample(path: Path) -> tuple[str, int, dict[str, Any]]:
    kind, version, _ = path.name.split(".")
    return kind, int(version), json.loads(path.read_text())


def as_old(today: Any, written: Any) -> Any:
    """What is written today, without the fields that had no place in what was written once, at whatever depth."""
    if isinstance(today, dict) and isinstance(written, dict):
        return {name: as_old(value, written[name]) for name, value in today.items() if name in written}
    if isinstance(today, list) and isinstance(written, list):
        return [as_old(*pair) for pair in zip(today, written, strict=True)]
    return today


def test_there_is_a_sample_of_every_version_of_every_kind() -> None:
    expected = {(kind, version) for kind in EVENT_CLASSES for version in range(1, schema_of(kind) + 1)}
    assert {sample(path)[:2] for path in WRITTEN} == expected


@pytest.mark.parametrize("path", WRITTEN, ids=lambda path: path.name)
def test_a_sample_can_be_read_today(path: Path) -> None:
    kind, version, data = sample(path)
    event = from_data(kind, version, data)
    assert type(event) is EVENT_CLASSES[kind]
    if version == schema_of(kind):  # fields that were added since, with a default, stand beside those of the sample
        assert as_old(json.loads(json.dumps(unstructure(event))), data) == data


@pytest.mark.parametrize("event", [event for _, event in ONE_OF_EACH], ids=lambda event: EVENT_KINDS[type(event)])
def test_an_event_survives_its_own_text(event: events.Event) -> None:
    kind = EVENT_KINDS[type(event)]
    assert from_data(kind, schema_of(kind), json.loads(canonical(unstructure(event)))) == event


def test_a_kind_is_its_class_in_lower_case() -> None:
    assert EVENT_KINDS[VenueAdded] == "venue-added"
    assert EVENT_CLASSES["columns-printed"].__name__ == "ColumnsPrinted"
    assert len(EVENT_CLASSES) == len(EVENT_KINDS) == len(ONE_OF_EACH)


def test_a_node_entry_has_the_kind_that_it_has_on_the_wire() -> None:
    for cls in get_args(Entry):
        assert EVENT_KINDS[cls] == cls.kind


def test_an_old_version_is_taken_up_step_by_step(monkeypatch: pytest.MonkeyPatch) -> None:
    """Version 1 said ``height`` in feet, version 2 in metres under that name, version 3 calls it ``elevation_m``."""
    monkeypatch.setattr(events, "SCHEMA", {"venue-added": 3})
    monkeypatch.setattr(
        events,
        "UPCASTS",
        {
            ("venue-added", 1): lambda data: data | {"height": data["height"] * 0.3048},
            ("venue-added", 2): lambda data: {
                **{name: value for name, value in data.items() if name != "height"},
                "elevation_m": data["height"],
            },
        },
    )
    data = unstructure(venue())
    del data["elevation_m"]
    assert from_data("venue-added", 1, data | {"height": 100.0}) == venue(elevation_m=30.48)
    assert from_data("venue-added", 2, data | {"height": 100.0}) == venue(elevation_m=100.0)
    assert from_data("venue-added", 3, data | {"elevation_m": 100.0}) == venue(elevation_m=100.0)


def test_a_kind_that_nobody_knows() -> None:
    with pytest.raises(KeyError):
        from_data("venue-removed", 1, {})


def test_a_version_from_the_future_is_refused() -> None:
    with pytest.raises(InputError, match="version 2"):
        from_data("venue-added", 2, unstructure(venue()))


@pytest.mark.parametrize(
    ("changes", "problem"),
    [
        ({"latitude_degrees": "47"}, "latitude_degrees: '47' is not a number"),
        ({"zone": 5}, "zone: 5 is not text"),
        ({"colour": "red"}, "colour: no such field"),
    ],
)
def test_data_that_do_not_fit_are_refused_by_name(changes: dict[str, Any], problem: str) -> None:
    with pytest.raises(InputError, match=problem):
        from_data("venue-added", 1, unstructure(venue()) | changes)
