"""Reading fast gives what reading with all checks gives."""

from __future__ import annotations

import contextlib
import json
from dataclasses import dataclass, field
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

import msgspec
import pytest
from django.db import connections, transaction
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from machines.errors import InputError
from machines.serialization import unstructure
from scheduling.log import events
from scheduling.log.codec.canonical_json import canonical
from scheduling.log.codec.decoder import read_event
from scheduling.log.event_records import facts, scan, text_of_instant
from scheduling.log.events import EVENT_CLASSES, EVENT_KINDS, Event, from_data, schema_of, server
from scheduling.log.store import append, read
from tests.scheduling.log.facts import ONE_OF_EACH, by
from tests.scheduling.log.histories import HISTORIES, History

SAMPLES = Path(__file__).parents[1] / "samples"


@pytest.mark.parametrize("event", [event for _, event in ONE_OF_EACH], ids=lambda event: type(event).__name__)
def test_every_kind_comes_back_to_the_last_type(event: Event) -> None:
    kind, text = EVENT_KINDS[type(event)], canonical(unstructure(event))
    read_back = read_event(kind, schema_of(kind), text)
    assert read_back == event
    # Equal is not enough: 3 == 3.0 == True.
    assert repr(read_back) == repr(from_data(kind, schema_of(kind), json.loads(text)))


@pytest.mark.parametrize("sample", sorted(SAMPLES.glob("*.json")), ids=lambda file: file.stem)
def test_a_sample_of_an_earlier_form_is_read_as_with_checks(sample: Path) -> None:
    kind, schema, _ = sample.name.split(".")
    text = sample.read_text()
    assert repr(read_event(kind, int(schema), text.strip())) == repr(from_data(kind, int(schema), json.loads(text)))


def test_few_kinds_are_too_much_for_the_fast_way() -> None:
    """Whoever adds one to them has it read some five times as slowly: `DEVELOPERS.md` names them."""
    fast = set()
    for kind, cls in EVENT_CLASSES.items():
        with contextlib.suppress(TypeError):
            msgspec.json.Decoder(cls)
            fast.add(kind)
    assert EVENT_CLASSES.keys() - fast == {"profile-added", "profile-changed", "service-window-fixed"}


@dataclass(frozen=True, kw_only=True)
class Grown:
    """An event that has got more fields since."""

    at: datetime
    added: tuple[float, ...] = (1.5,)
    listed: dict[str, Any] = field(default_factory=dict)


def test_fields_that_were_added_later_have_their_defaults(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setitem(events.EVENT_CLASSES, "grown", Grown)  # type: ignore[misc]
    one, other = (read_event("grown", 1, '{"at":"2026-03-01T00:00:00.000000Z"}') for _ in range(2))
    assert one == Grown(at=datetime(2026, 3, 1, tzinfo=UTC))  # type: ignore[comparison-overlap]
    assert one.listed is not other.listed  # type: ignore[union-attr]
    text = '{"added":[2,3],"at":"2026-03-01T00:00:00.000000Z","listed":{"a":1}}'
    assert repr(read_event("grown", 1, text)) == repr(
        Grown(at=datetime(2026, 3, 1, tzinfo=UTC), added=(2.0, 3.0), listed={"a": 1})
    )


@pytest.mark.django_db
@settings(suppress_health_check=(HealthCheck.function_scoped_fixture,), max_examples=20)
@given(history=HISTORIES)
def test_a_log_read_either_way_says_the_same(history: History) -> None:
    with transaction.atomic():
        written = [fact for appends in history.appends() for fact in append(appends, by())]
        assert list(facts(using="default")) == [line.fact() for line in scan(using="default")] == written
        assert list(read(after=2, through=3)) == written[2:3]
        assert list(read(after=1, limit=2)) == written[1:3]
        transaction.set_rollback(True)


def test_an_old_version_is_upcast(monkeypatch: pytest.MonkeyPatch) -> None:
    def minutes_to_seconds(data: dict[str, Any]) -> dict[str, Any]:
        return {"silent_s": data["silent_minutes"] * 60}

    monkeypatch.setattr(events, "SCHEMA", {"silence-ended": 2})
    monkeypatch.setattr(events, "UPCASTS", {("silence-ended", 1): minutes_to_seconds})
    assert read_event("silence-ended", 1, '{"silent_minutes":2}') == server.SilenceEnded(silent_s=120.0)
    assert read_event("silence-ended", 2, '{"silent_s":120}') == server.SilenceEnded(silent_s=120.0)


def test_what_only_a_newer_program_knows_is_refused() -> None:
    with pytest.raises(InputError, match="newer program"):
        read_event("silence-ended", 2, '{"silent_s":1}')
    with pytest.raises(KeyError, match="paper-eaten"):
        read_event("paper-eaten", 1, "{}")


@given(st.datetimes(timezones=st.just(UTC)))
def test_an_instant_in_sqlite_is_the_text_that_django_would_keep(instant: datetime) -> None:
    assert text_of_instant(instant) == connections["default"].ops.adapt_datetimefield_value(instant)
