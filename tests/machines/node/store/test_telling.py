"""Whatever lies in a journal is told, so that nothing beside it waits, nor does any of it end the agent."""

from __future__ import annotations

import json
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

import pytest

from machines.node.store import outbox
from machines.node.store.identity import Credentials
from machines.node.store.journal import Journal, open_journal
from machines.node.store.telling import as_told
from machines.node.work.takeover import enrol
from machines.protocol.journal_entries import KnifeArmed
from machines.protocol.messages import JournalPosition, Reports
from machines.protocol.upcasts import entry_json
from machines.serialization import parse_instant
from scheduling.log.codec.canonical_json import canonical
from scheduling.nodes.received_entries import read_batch

AT = "2026-10-24T12:00:00.000000Z"
ARMED = entry_json(KnifeArmed(seq=1, at=parse_instant(AT)))
NEVER = datetime(1970, 1, 1, tzinfo=UTC)
NEWER: list[dict[str, Any]] = [
    {"kind": "mood-noticed", "seq": 1, "at": AT, "mood": {"of": ["the machine"]}},
    {"kind": "operator-acted", "seq": 1, "at": AT, "action": "dance"},
    ARMED | {"schema": 2},
]
SPOILT: list[Any] = [
    "", "knife", "{", "[" * 100_000, "null", "7", "[]", "{}", b"\xff\xfe\x00", b"", 7,
    json.dumps(ARMED)[:-9],
    json.dumps(ARMED | {"at": 7}),
    json.dumps(ARMED | {"schema": 0}),
    json.dumps({"kind": "columns-printed", "seq": 1, "at": AT}),
    json.dumps({"kind": "mood-noticed", "seq": 1}),
    json.dumps({"kind": "mood" * 16, "seq": 1, "at": AT}),
    json.dumps({"kind": "", "seq": 1, "at": AT}),
    "\x00" * 200_000,
    json.dumps(NEWER[0] | {"mood": "\x00"}),
    json.dumps(NEWER[0] | {"\x00": 1}),
    json.dumps(NEWER[0] | {"mood": ["\ud800"]}),
    json.dumps(NEWER[0] | {"mood": 2**53}),
    json.dumps(NEWER[0] | {"mood": -1e300}),
    json.dumps(NEWER[0] | {"mood": float("nan")}),
    json.dumps(NEWER[0])[:-1] + f', "moods": {"[" * 100}{"]" * 100}}}',
    json.dumps(ARMED)[:-1] + ', "mood": 1e999}',
]  # fmt: skip


@pytest.fixture
def journal(tmp_path: Path) -> Journal:
    return open_journal(tmp_path, create=True)


def put(journal: Journal, *bodies: Any) -> None:
    with journal.transaction() as db:
        for body in bodies:
            db.execute("INSERT INTO entry (seq, body) VALUES (?, ?)", (outbox.next_seq(db), body))


def message(journal: Journal) -> Any:
    """As it goes over the line."""
    with journal.reading() as db:
        entries = outbox.unaccepted(db, 200)
    return json.loads(json.dumps(Reports(epoch=1, entries=()).with_told(entries)))


@pytest.mark.parametrize("newer", NEWER)
def test_what_a_newer_agent_wrote_is_told_as_it_lies(newer: dict[str, Any]) -> None:
    assert as_told(4, json.dumps(newer)) == newer | {"seq": 4}


def test_what_a_newer_agent_wrote_beside_what_is_understood_goes_with_it() -> None:
    assert as_told(1, json.dumps(ARMED | {"with": "the left hand"})) == ARMED | {"with": "the left hand"}


@pytest.mark.parametrize("spoilt", SPOILT)
def test_the_server_takes_the_entries_beside_one_that_is_spoilt_or_newer_and_that_one_too(
    journal: Journal, spoilt: Any
) -> None:
    put(journal, json.dumps(ARMED), spoilt, json.dumps(NEWER[0]), json.dumps(ARMED | {"seq": 4}))
    batch = read_batch(message(journal))
    assert [one.seq for one in batch.entries] == [1, 2, 3, 4]
    assert [one.entry is None for one in batch.entries] == [False, True, True, False]
    assert all(canonical(dict(one.raw)) for one in batch.entries), "the log can keep it"
    assert batch.entries[1].at == NEVER
    assert batch.entries[1].raw["kind"] == "spoilt"
    assert batch.entries[2].raw == NEWER[0] | {"seq": 3}
    journal.close()


def test_people_can_read_what_is_left_of_a_spoilt_entry(journal: Journal) -> None:
    assert as_told(9, '{"kind": "knife-ar') == {
        "seq": 9,
        "at": "1970-01-01T00:00:00.000000Z",
        "kind": "spoilt",
        "body": '{"kind": "knife-ar',
    }
    assert as_told(9, b"knife\x00\xff\n")["body"] == "knife\\x00\\ufffd\\n"
    assert len(as_told(9, "\x00" * 4001)["body"]) == 4000
    assert as_told(9, json.dumps(NEWER[0] | {"mood": 2**53 - 1}))["kind"] == "mood-noticed"
    assert as_told(9, json.dumps(NEWER[0])[:-1] + f', "moods": {"[" * 99}{"]" * 99}}}')["kind"] == "mood-noticed"
    journal.close()


def test_a_board_whose_journal_is_spoilt_in_places_is_enrolled_again(journal: Journal) -> None:
    with journal.transaction() as db:
        enrol(db, Credentials(server="http://host", token="secret", machine="m1", epoch=1))
    put(journal, "spoilt one", json.dumps(ARMED | {"seq": 2}), "spoilt three")
    with journal.transaction() as db:
        outbox.accept(db, 1)
        again = Credentials(server="http://host", token="secret", machine="m1", epoch=2)
        enrol(db, again, (JournalPosition(epoch=1, through=1, at=NEVER),))
    assert [(one["seq"], one["kind"]) for one in message(journal)["entries"]] == [(1, "knife-armed"), (2, "spoilt")]
    journal.close()
