"""Enrolled anew, a board tells its server once more how the machine stands."""

from __future__ import annotations

import json
import sqlite3
from dataclasses import replace
from pathlib import Path

import pytest

from machines.node.store import identity, operator_actions
from machines.node.store.identity import Credentials
from machines.node.store.journal import change_state, open_journal
from machines.node.work.takeover import enrol
from machines.operator import holds
from machines.protocol.journal_entries import (
    Action,
    ConditionsChanged,
    KnifeDisarmed,
    NodeStarted,
    OperatorActed,
)
from machines.protocol.messages import JournalPosition
from machines.serialization import parse_instant
from tests.machines.node.rig import HandClock, Rig, make_studio

CREDENTIALS = Credentials(server="http://host", token="secret", machine="m1", epoch=1)


@pytest.fixture
def node(tmp_path: Path) -> Rig:
    clock = HandClock()
    node = Rig(tmp_path, make_studio(clock), clock)
    with node.journal.transaction() as db:
        identity.keep_credentials(db, CREDENTIALS)
    node.fetch()
    node.run_columns(5)
    return node


def enrolled_anew(node: Rig) -> None:
    """Stopped in order, all of it told, and enrolled with a new code on its own folder."""
    node.stop()
    node.fetch_last()
    journal = open_journal(node.home)
    with journal.transaction() as db:
        enrol(db, replace(CREDENTIALS, epoch=2), [position_of(db)])
    journal.close()
    node.start()
    node.run_columns(1)


def position_of(db: sqlite3.Connection) -> JournalPosition:
    """That the server has all of this journal."""
    seq, body = db.execute("SELECT seq, body FROM entry ORDER BY seq DESC LIMIT 1").fetchone()
    return JournalPosition(epoch=1, through=seq, at=parse_instant(json.loads(body)["at"]))


def act(node: Rig, action: Action) -> None:
    with node.journal.transaction() as db:
        operator_actions.act(db, action)
    node.run_columns(1)


def test_a_knife_that_was_armed_is_off_and_told_so(node: Rig) -> None:
    with node.journal.transaction() as db:
        change_state(db, arming_asked=1)
    node.run_columns(1)
    assert node.journal.state().knife_armed
    enrolled_anew(node)
    assert not node.journal.state().knife_armed
    assert [entry.why for entry in node.entries(KnifeDisarmed)] == ["enrolled"]
    laid = len(node.paper().laid)
    node.run_columns(5)
    assert len(node.paper().laid) > laid, "it prints on"


@pytest.mark.parametrize("action", ["pause", "park", "stop"])
def test_what_a_person_holds_is_told_once_more(node: Rig, action: Action) -> None:
    act(node, action)
    enrolled_anew(node)
    assert [entry.action for entry in node.entries(OperatorActed)] == [action]
    assert [entry.keywords for entry in node.entries(ConditionsChanged)] == [("paused",)]
    laid = len(node.paper().laid)
    node.run_columns(5)
    assert len(node.paper().laid) == laid, "and holds it"


def test_that_it_waits_for_a_person_after_a_power_cut_is_told_once_more(node: Rig) -> None:
    node.resume_unattended = False
    node.crash()
    node.start()
    node.run_columns(1)
    assert node.journal.state().hold == holds.UNPLANNED
    enrolled_anew(node)
    assert [entry.unplanned_stop for entry in node.entries(NodeStarted)] == [True]
    assert node.journal.state().hold == holds.UNPLANNED


def test_of_one_that_prints_nothing_more_is_told(node: Rig) -> None:
    enrolled_anew(node)
    assert [entry.unplanned_stop for entry in node.entries(NodeStarted)] == [False]
    assert not node.entries(OperatorActed) + node.entries(KnifeDisarmed) + node.entries(ConditionsChanged)


def test_what_the_machine_said_and_was_not_told_is_told_and_then_what_is_otherwise(node: Rig) -> None:
    act(node, "pause")
    assert [entry.keywords for entry in node.entries(ConditionsChanged)] == [("paused",)]
    node.stop()
    journal = open_journal(node.home)
    with journal.transaction() as db:
        enrol(db, replace(CREDENTIALS, epoch=2), [])  # the server has none of it
        assert journal_conditions(db) == "paused"
    journal.close()
    node.start()
    act(node, "resume")
    assert [entry.keywords for entry in node.entries(ConditionsChanged)] == [("paused",), ()]


@pytest.mark.parametrize("body", ["{", json.dumps({"kind": "conditions-changed", "at": "2026-03-20T12:00:00Z"})])
def test_an_entry_that_cannot_be_read_keeps_no_board_from_being_enrolled(node: Rig, body: str) -> None:
    node.stop()
    journal = open_journal(node.home)
    with journal.transaction() as db:
        (last,) = db.execute("SELECT max(seq) FROM entry").fetchone()
        db.execute("INSERT INTO entry (seq, body) VALUES (?, ?)", (last + 1, body))
        enrol(db, replace(CREDENTIALS, epoch=2), [])
        assert journal_conditions(db) == ""
    journal.close()


def journal_conditions(db: sqlite3.Connection) -> str:
    (said,) = db.execute("SELECT conditions FROM state").fetchone()
    return str(said)
