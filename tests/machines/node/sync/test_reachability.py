"""Since when and why the server is out of reach: what is kept of it, and what a person is told."""

from __future__ import annotations

import json
from collections.abc import Iterator
from dataclasses import replace
from datetime import UTC, datetime
from pathlib import Path

import pytest

from machines.clock import utc
from machines.node.clock.server_time import Estimate
from machines.node.store.journal import Journal, open_journal
from machines.node.sync import reachability
from machines.node.sync.errands import Trouble
from machines.node.sync.failures import FailureKind
from machines.node.sync.reachability import NOT_HEARD, Moment, Reach, ServerReach, after_pass, standing, worth_keeping
from tests.machines.node.rig import NOON, HandClock

CLOCK = datetime(2026, 9, 21, 12, 0, tzinfo=UTC)
SILENT = Trouble(kind="silent", detail="no answer: timed out")
CLOSED = Trouble(kind="closed", detail="connection refused")
BUSY = Trouble(kind="busy", detail="down", wait_s=30.0, is_ours=True)


def moment(elapsed_s: float, boot: str = "b", *, known: bool = True) -> Moment:
    """A second of this boot, whose second 0 is noon."""
    return Moment(boot=boot, elapsed_s=elapsed_s, at=utc(NOON + elapsed_s) if known else None)


def told(found: Reach, elapsed_s: float, boot: str = "b", *, known: bool = True) -> ServerReach:
    return standing(found, moment(elapsed_s, boot, known=known), CLOCK)


WELL = after_pass(Reach(), None, moment(0.0), 60.0, heard=True)


def test_while_all_is_well_it_says_when_the_server_was_heard() -> None:
    assert told(WELL, 180.0).in_words() == "in reach; heard at least once since 2026-09-21 14:13 UTC (3 min ago)"
    assert told(Reach(), 0.0) == NOT_HEARD
    assert NOT_HEARD.in_words() == "not heard yet"


def test_a_trouble_is_told_with_its_reason_its_beginning_and_the_next_try() -> None:
    found = after_pass(WELL, SILENT, moment(600.0), 300.0, heard=False)
    assert told(found, 780.0).in_words() == (
        "no answer in time: the router has no internet, something blocks the way, or the server is down. Since"
        " 2026-09-21 14:23 UTC (3 min ago); last heard 2026-09-21 14:13 UTC (13 min ago); tried again in 2 min"
    )
    assert told(found, 900.0).again == "now"
    assert told(found, 900.0).said == "no answer: timed out"


def test_another_reason_for_silence_is_the_same_trouble_and_the_servers_own_refusal_is_another() -> None:
    found = after_pass(WELL, SILENT, moment(600.0), 60.0, heard=False)
    found = after_pass(found, CLOSED, moment(660.0), 60.0, heard=False)
    assert (found.kind, found.since) == ("closed", moment(600.0))
    found = after_pass(found, BUSY, moment(720.0), 60.0, heard=True)
    assert (found.kind, found.since, found.heard) == ("busy", moment(720.0), moment(720.0))
    found = after_pass(found, BUSY, moment(780.0), 60.0, heard=True)
    assert found.since == moment(720.0)
    found = after_pass(found, CLOSED, moment(840.0), 60.0, heard=False)
    assert found.since == moment(840.0)
    found = after_pass(found, None, moment(900.0), 60.0, heard=True)
    assert found == Reach(heard=moment(900.0))


def test_after_a_boot_it_is_known_since_when_if_the_time_was_known_then() -> None:
    found = after_pass(WELL, SILENT, moment(600.0), 60.0, heard=False)
    found = after_pass(found, SILENT, moment(5.0, "after", known=False), 60.0, heard=False)
    said = told(found, 20.0, "after", known=False)
    assert (said.since, said.heard) == ("2026-09-21 14:23 UTC", "2026-09-21 14:13 UTC")


def test_where_the_time_was_not_known_it_says_how_long_ago_or_that_it_was_before_the_start() -> None:
    found = after_pass(Reach(), SILENT, moment(5.0, known=False), 60.0, heard=False)
    assert told(found, 125.0, known=False).since == "2 min ago"
    assert told(found, 125.0).since == "2026-09-21 14:13 UTC (2 min ago)", "the time is known by now"
    assert told(found, 5.0, "after").since == "before this board was started"
    assert told(found, 5.0, "after").again == ""


@pytest.mark.parametrize("kind", ["certificate-early", "certificate-expired"])
def test_a_certificate_of_another_time_is_told_with_what_the_boards_own_clock_shows(kind: FailureKind) -> None:
    found = after_pass(WELL, Trouble(kind=kind, detail=""), moment(600.0), 60.0, heard=False)
    assert "clock it is 2026-09-21 12:00 UTC, by the server 2026-09-21 14:23 UTC." in told(found, 600.0).says
    assert "clock it is 2026-09-21 12:00 UTC." in told(found, 600.0, known=False).says


# What is kept.


def test_while_all_is_well_the_card_is_written_to_each_ten_minutes() -> None:
    heard = after_pass(WELL, None, moment(599.0), 60.0, heard=True)
    assert not worth_keeping(WELL, heard)
    assert worth_keeping(WELL, replace(heard, heard=moment(600.0)))
    assert worth_keeping(WELL, replace(heard, heard=moment(1.0, "after")))
    assert worth_keeping(WELL, after_pass(WELL, SILENT, moment(60.0), 60.0, heard=False))
    assert worth_keeping(Reach(), WELL)


@pytest.fixture
def journal(tmp_path: Path) -> Iterator[Journal]:
    journal = open_journal(tmp_path, create=True)
    yield journal
    journal.close()


def test_what_is_kept_is_read_by_another_agent(journal: Journal, tmp_path: Path) -> None:
    found = after_pass(WELL, SILENT, moment(600.0), 60.0, heard=False)
    with journal.transaction() as db:
        reachability.keep(db, found)
    clock = HandClock(NOON + 660.0)
    again = open_journal(tmp_path)
    with again.reading() as db:
        assert reachability.last_reach(db) == found
        said = reachability.at_board(db, clock, "b", Estimate(now=clock.at, error_s=0.1))
        assert (said.kind, said.since) == ("silent", "2026-09-21 14:23 UTC (1 min ago)")
        reachability.forget(db)
        assert reachability.last_reach(db) == Reach()
    again.close()


@pytest.mark.parametrize(
    "body",
    ["", "nonsense", "[]", '{"heard": 7}', '{"heard": {"boot": "b", "elapsed_s": 1.0, "at": "2026-09-21T12:00:00"}}'],
)
def test_what_cannot_be_read_hinders_nothing(journal: Journal, body: str) -> None:
    with journal.transaction() as db:
        db.execute("INSERT INTO document (name, body) VALUES ('reach', ?)", (body,))
        assert reachability.last_reach(db) == Reach()


def test_what_a_newer_version_keeps_is_read_as_far_as_it_is_understood(journal: Journal) -> None:
    kept = {"heard": {"boot": "b", "elapsed_s": 1.0, "at": None, "by": "wire"}, "since": None, "kind": "mood"}
    with journal.transaction() as db:
        db.execute("INSERT INTO document (name, body) VALUES ('reach', ?)", (json.dumps(kept),))
        found = reachability.last_reach(db)
    assert found == Reach(heard=Moment(boot="b", elapsed_s=1.0), kind="mood")
    assert told(replace(found, since=moment(0.0)), 60.0).says == "mood"
