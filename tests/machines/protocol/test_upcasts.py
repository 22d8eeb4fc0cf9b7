"""Entries of an older form are read by the same steps wherever they lie; those of a newer one are named."""

from __future__ import annotations

import json
import sqlite3
from pathlib import Path
from typing import Any

import pytest

from machines.errors import InputError, UnknownChoice
from machines.node.store import outbox
from machines.node.store.journal import open_journal
from machines.protocol import upcasts
from machines.protocol.journal_entries import KnifeArmed
from machines.protocol.upcasts import entry_json, read_entry, read_entry_from_newer
from machines.serialization import parse_instant
from scheduling.nodes.received_entries import read_told

AT = "2026-10-24T12:00:00.000000Z"
ARMED = KnifeArmed(seq=1, at=parse_instant(AT))
OLD = {"kind": "knife-armed", "seq": 1, "when": AT}
MIDDLE = {"kind": "knife-armed", "seq": 1, "instant": AT, "schema": 2}


@pytest.fixture
def third_form(monkeypatch: pytest.MonkeyPatch) -> None:
    """Version 1 said ``when``, version 2 ``instant``, and version 3 says ``at``."""

    def renamed(old: str, new: str) -> Any:
        return lambda data: {new if name == old else name: value for name, value in data.items()}

    monkeypatch.setattr(upcasts, "SCHEMA", {"knife-armed": 3})
    steps = {("knife-armed", 1): renamed("when", "instant"), ("knife-armed", 2): renamed("instant", "at")}
    monkeypatch.setattr(upcasts, "UPCASTS", steps)


@pytest.mark.usefixtures("third_form")
def test_an_entry_is_taken_up_step_by_step() -> None:
    assert read_entry(OLD) == read_entry(MIDDLE) == read_entry(entry_json(ARMED)) == ARMED
    assert entry_json(ARMED)["schema"] == 3
    assert OLD == {"kind": "knife-armed", "seq": 1, "when": AT}, "what was told is never changed"


@pytest.mark.usefixtures("third_form")
def test_what_lies_in_a_journal_is_told_in_todays_form(tmp_path: Path) -> None:
    journal = open_journal(tmp_path, create=True)
    with journal.transaction() as db:
        put(db, 1, OLD)
        put(db, 2, MIDDLE | {"seq": 2})
        outbox.append(db, KnifeArmed(seq=3, at=ARMED.at))
    with journal.reading() as db:
        entries = outbox.unaccepted(db, 9)
    assert entries == tuple(entry_json(ARMED) | {"seq": seq} for seq in (1, 2, 3))
    assert all(entry["schema"] == 3 for entry in entries)
    journal.close()


def put(db: sqlite3.Connection, seq: int, body: dict[str, Any]) -> None:
    db.execute("INSERT INTO entry (seq, body) VALUES (?, ?)", (seq, json.dumps(body)))


@pytest.mark.usefixtures("third_form")
def test_the_server_reads_it_alike() -> None:
    assert read_told(OLD | {"at": AT}).entry == ARMED
    newer = read_told({"kind": "knife-armed", "seq": 1, "at": AT, "schema": 4})
    assert newer.entry is None and newer.doubt is not None and newer.doubt.field == "schema"


def test_a_form_that_is_newer_is_no_mistake() -> None:
    with pytest.raises(UnknownChoice, match="schema: knife-armed of version 2; give version 1 or an earlier one"):
        read_entry(entry_json(ARMED) | {"schema": 2})


@pytest.mark.parametrize("schema", [0, -1, "2", 1.5, True, None])
def test_a_version_that_is_none_is_named(schema: Any) -> None:
    with pytest.raises(InputError, match=r"schema: .* is no version") as caught:
        read_entry(entry_json(ARMED) | {"schema": schema})
    assert not isinstance(caught.value, UnknownChoice)


def test_what_a_newer_agent_wrote_beside_is_ignored() -> None:
    assert read_entry_from_newer(entry_json(ARMED) | {"with": "the left hand"}) == ARMED
    with pytest.raises(InputError, match="with: no such field"):
        read_entry(entry_json(ARMED) | {"with": "the left hand"})


def test_a_choice_that_is_not_known_is_told_from_a_mistake() -> None:
    acted = {"kind": "operator-acted", "seq": 1, "at": AT}
    with pytest.raises(UnknownChoice, match="action: 'dance' is not one of the choices"):
        read_entry(acted | {"action": "dance"})
    with pytest.raises(InputError, match="action: 7 is not one of the choices") as caught:
        read_entry(acted | {"action": 7})
    assert not isinstance(caught.value, UnknownChoice)
