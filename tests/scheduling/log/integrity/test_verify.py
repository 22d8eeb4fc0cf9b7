"""Whoever changes the past, by whatever way, is found out."""

from __future__ import annotations

import hashlib
import json
from typing import Any

import pytest
from django.db import connections

from machines.serialization import format_instant
from scheduling.log import models
from scheduling.log.event_records import EventRecord, scan
from scheduling.log.integrity import append_only
from scheduling.log.integrity.verify import BrokenLink, verify
from tests.scheduling.log.facts import ONE_OF_EACH, say, venue

pytestmark = pytest.mark.django_db


@pytest.fixture
def a_log() -> None:
    """One event of each kind, and nothing that would keep us from changing them."""
    for stream, event in ONE_OF_EACH:
        say(stream, event)
    append_only.lift(connections["default"])


def test_the_digest_is_over_all_that_a_line_says(a_log: None) -> None:
    """The definition, written out."""
    previous: dict[str, str] = {}
    for line in scan(using="default"):
        assert line.digest == defined(line._replace(previous_digest=previous.get(line.stream, "")))
        previous[line.stream] = line.digest


def defined(line: EventRecord) -> str:
    """The digest of a line, its data to the byte as they are stored."""
    said = {
        "actor": line.actor,
        "data": "here",
        "happened_at": format_instant(line.happened_at),
        "kind": line.kind,
        "previous_digest": line.previous_digest,
        "request": line.request,
        "said_at": format_instant(line.said_at),
        "schema": line.schema,
        "stream": line.stream,
        "version": line.version,
    }
    text = json.dumps(said, ensure_ascii=False, separators=(",", ":")).replace('"here"', line.data, 1)
    return hashlib.sha256(text.encode()).hexdigest()


@pytest.mark.parametrize("actor", ['"', "\\", "é", "\n", "\x1f", "\u2028", "😀"])
def test_whatever_an_actor_is_called(actor: str) -> None:
    say("venue/a", venue())
    line = next(scan(using="default"))._replace(actor=actor, request=actor)
    assert line.computed_digest() == defined(line)


CHANGES: dict[str, tuple[dict[str, Any], str]] = {
    "stream": ({"stream": "machine/right"}, "its stream was at version 0"),
    "version": ({"version": 40}, "its stream was at version"),
    "kind": ({"kind": "gap-settled"}, "changed after it was written"),
    "schema": ({"schema": 2}, "changed after it was written"),
    "said_at": ({"said_at": "2020-01-01T00:00:00Z"}, "changed after it was written"),
    "happened_at": ({"happened_at": "2020-01-01T00:00:00Z"}, "changed after it was written"),
    "actor": ({"actor": "account-2"}, "changed after it was written"),
    "request": ({"request": None}, "changed after it was written"),
    "previous_digest": ({"previous_digest": "0" * 64}, "does not follow"),
    "digest": ({"digest": "0" * 64}, "changed after it was written"),
    "run": ({"run": "autumn"}, "is filed under 'autumn'"),
    "position": ({"position": 99}, "events are missing before it"),
}


@pytest.mark.parametrize("field", [*EventRecord._fields])
def test_a_change_of_any_column_is_named(a_log: None, field: str) -> None:
    row = models.Event.objects.get(kind="columns-printed")
    changes, problem = CHANGES.get(field, ({"data": row.data | {"worst_miss_s": 0.0}}, "changed after it was written"))
    models.Event.objects.filter(position=row.position).update(**changes)
    with pytest.raises(BrokenLink, match=problem) as broken:
        verify()
    # A moved line is missed where it stood.
    assert broken.value.line.position == (row.position + 1 if field == "position" else row.position)


def test_an_event_taken_out_is_missed(a_log: None) -> None:
    models.Event.objects.filter(position=7).delete()
    with pytest.raises(BrokenLink, match=r"event 8 .* events are missing before it"):
        verify()


def test_a_change_with_its_digest_made_good_breaks_the_next_link(a_log: None) -> None:
    line = next(line for line in scan(using="default") if line.kind == "columns-printed")
    forged = line._replace(actor="account-2")
    forged = forged._replace(digest=forged.computed_digest())
    models.Event.objects.filter(position=line.position).update(actor="account-2", digest=forged.digest)
    with pytest.raises(BrokenLink, match="does not follow") as broken:
        verify()
    assert broken.value.line.position == line.position + 1


def test_an_event_that_cannot_be_read_is_named(a_log: None) -> None:
    (line,) = [line for line in scan(using="default") if line.kind == "silence-ended"]
    forged = line._replace(data='{"silent_s":"long"}')
    models.Event.objects.filter(position=line.position).update(
        data={"silent_s": "long"}, digest=forged.computed_digest()
    )
    with pytest.raises(BrokenLink, match=r"cannot be read: silent_s: 'long' is not a number"):
        verify()


def test_a_closing_that_cannot_be_read_is_named(a_log: None) -> None:
    models.Event.objects.filter(kind="stream-closed").update(data={"closed": "run/x"})
    with pytest.raises(BrokenLink, match=r"stream-closed\): it cannot be read: version: missing"):
        verify()


def test_progress_is_told_event_by_event(a_log: None) -> None:
    told: list[int] = []
    verify(progress=told.append)
    assert told == list(range(1, len(ONE_OF_EACH) + 1))


def test_an_empty_log_holds() -> None:
    assert verify() == {}
