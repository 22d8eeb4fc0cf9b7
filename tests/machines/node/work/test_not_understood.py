"""Work of a newer server: what is not understood holds back nothing beside it, and is kept until it is understood."""

from __future__ import annotations

import json
from collections.abc import Iterator
from dataclasses import replace
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

import pytest

from machines.node.store import outbox
from machines.node.store.journal import Journal
from machines.node.sync.client import NotUnderstood, read_work
from machines.node.sync.exchange import Exchange
from machines.node.sync.failures import Unreachable
from machines.node.work import held_work as holding
from machines.node.work import not_understood
from machines.node.work.not_understood import Unread
from machines.protocol.journal_entries import KnifeArmed
from machines.protocol.messages import Work
from machines.recovery import Override, Rule
from tests.machines.node.hostile import answer
from tests.machines.node.over_http import journal
from tests.machines.node.relay import Studio, serving
from tests.machines.node.rig import NOON, HandClock, Rig, make_studio
from tests.machines.node.sync.test_hostile_answers import exchange_of

__all__ = ["journal"]  # the fixtures

AT = datetime(2026, 9, 21, tzinfo=UTC)
WORD = Override(id="w1", rule=Rule(kind="replay"), given_at=AT)


@pytest.fixture
def studio() -> Studio:
    return make_studio(HandClock(NOON + 5000.0))


@pytest.fixture
def exchange(studio: Studio, journal: Journal, tmp_path: Path) -> Iterator[Exchange]:
    with serving(studio) as url:
        made = exchange_of(journal, url, tmp_path)
        yield made
        made.client.close()


def newer(work: Work, **changes: Any) -> Any:
    """As a newer server says it."""
    return json.loads(json.dumps(work.as_json())) | changes


def say(studio: Studio, said: Any, tag: str) -> list[str]:
    """Have it say that of work, under a tag; what is asked for grows in the list."""
    asked: list[str] = []
    octets = answer("200 OK", json.dumps(said).encode(), "Content-Type: application/json", f'ETag: "{tag}"')

    def instead(path: str) -> Any:
        asked.append(path)
        return [octets] if "node/work" in path else None

    studio.instead = instead
    return asked


def held(journal: Journal) -> Work | None:
    with journal.reading() as db:
        return holding.work_held(db)


def kept(journal: Journal) -> Unread | None:
    with journal.reading() as db:
        return not_understood.unread_answer(db)


def test_what_is_understood_is_kept_but_once(exchange: Exchange, journal: Journal) -> None:
    exchange.run_once()
    assert held(journal) is not None
    assert kept(journal) is None


def test_fields_that_are_not_known_are_kept_beside_what_is_held(
    exchange: Exchange, studio: Studio, journal: Journal, caplog: pytest.LogCaptureFixture
) -> None:
    said = newer(studio.work(), mood="calm")
    say(studio, said, "a")
    exchange.run_once()
    assert held(journal) == replace(studio.work(), segments=())
    found = kept(journal)
    assert found is not None and (found.said, found.etag) == (said, '"a"')
    assert "mood: no such field" in caplog.text
    studio.instead = lambda path: None
    exchange.run_once()
    assert kept(journal) is None, "what the server says now is understood"


def test_a_word_by_a_rule_that_is_not_known_holds_back_nothing_that_is_to_be_printed(
    exchange: Exchange, studio: Studio, journal: Journal
) -> None:
    word = newer(replace(studio.work(), override=WORD))["override"] | {"rule": {"kind": "weave"}}
    say(studio, newer(studio.work(), override=word), "a")
    exchange.run_once()
    assert held(journal) == replace(studio.work(), segments=())
    with journal.reading() as db:
        now = holding.held(db)
    assert now is not None and len(now.segments) == 48 and now.override is None
    found = kept(journal)
    assert found is not None and "weave" in found.problem


def test_work_of_which_nothing_can_be_held_is_kept_and_all_else_goes_on(
    exchange: Exchange, studio: Studio, journal: Journal
) -> None:
    exchange.run_once()
    before = held(journal)
    say(studio, newer(studio.work(), policy={"kind": "weave"}, poll_after_s=7.0), "b")
    with journal.transaction() as db:
        outbox.append(db, KnifeArmed(seq=2, at=AT))
    exchange.run_once()
    assert held(journal) == before
    assert len(studio.entries) == 2
    found = kept(journal)
    assert found is not None and found.said["poll_after_s"] == 7.0
    studio.instead = lambda path: [answer("304 Not Modified", b"", 'ETag: "b"')] if "node/work" in path else None
    with pytest.raises(NotUnderstood, match=r"the server is newer than this program.*weave"):
        exchange.fetch_work()
    assert kept(journal) == found


def test_what_is_no_servers_work_is_not_kept(exchange: Exchange, studio: Studio, journal: Journal) -> None:
    for said in ({}, [], newer(studio.work(), epoch="weave"), newer(studio.work(), mood=1, poll_after_s="often")):
        say(studio, said, "c")
        with pytest.raises(Unreachable):
            exchange.fetch_work()
        assert kept(journal) is None


# A later version, with no server in reach.


def left(journal: Journal, said: Any, problem: str) -> None:
    """By an earlier version."""
    with journal.transaction() as db:
        not_understood.keep(db, Unread(etag='"a"', said=said, problem=problem))


def begin(exchange: Exchange, studio: Studio) -> None:
    """The agent, with nothing to be heard."""
    studio.instead = lambda path: [b""]
    passes = iter([False, True, True])
    exchange.run(lambda: next(passes, True))


def test_a_later_version_takes_up_what_an_earlier_one_did_not_understand(
    exchange: Exchange, studio: Studio, journal: Journal
) -> None:
    exchange.run_once()
    assert held(journal) == replace(studio.work(), segments=())
    later = replace(studio.work(), override=WORD)
    left(journal, newer(later), "override.rule.kind: 'replay' is not one of the choices; give one of: skip")
    begin(exchange, studio)
    assert held(journal) == replace(later, segments=())
    assert kept(journal) is None


def test_a_later_version_that_understands_more_but_not_all_keeps_the_rest(
    exchange: Exchange, studio: Studio, journal: Journal
) -> None:
    later = replace(studio.work(), override=WORD)
    left(journal, newer(later, mood="calm"), "override: no such field; the fields are run")
    begin(exchange, studio)
    assert held(journal) == replace(later, segments=())
    found = kept(journal)
    assert found is not None and found.problem.startswith("mood: no such field")


@pytest.mark.parametrize("said", [{"policy": {"kind": "weave"}}, {"epoch": None}, {"mood": "calm"}])
def test_the_same_version_goes_on_with_what_it_holds(
    exchange: Exchange, studio: Studio, journal: Journal, said: dict[str, Any]
) -> None:
    exchange.run_once()
    before = held(journal)
    puzzle = newer(studio.work(), poll_after_s=7.0, **said)
    try:
        fetched = read_work(puzzle, '"a"')
        problem = "" if fetched.unread is None else fetched.unread.problem
    except Unreachable as error:
        problem = str(error)
    left(journal, puzzle, problem)
    begin(exchange, studio)
    assert held(journal) == before
    assert kept(journal) is not None


def test_what_was_not_understood_and_had_no_tag_is_over_when_what_is_held_counts_again(
    exchange: Exchange, studio: Studio, journal: Journal
) -> None:
    exchange.run_once()
    before = held(journal)
    with journal.transaction() as db:
        not_understood.keep(
            db, Unread(etag="", said=newer(studio.work(), policy={"kind": "weave"}), problem="policy.kind")
        )
    exchange.run_once()
    assert (held(journal), kept(journal)) == (before, None)


@pytest.mark.parametrize("body", ["", "{", "[]", '{"etag": 7}'])
def test_a_keeping_that_is_spoilt_hinders_nothing(
    exchange: Exchange, studio: Studio, journal: Journal, body: str
) -> None:
    with journal.transaction() as db:
        db.execute("INSERT INTO document (name, body) VALUES ('unread-work', ?)", (body,))
    begin(exchange, studio)
    studio.instead = lambda path: None
    exchange.run_once()
    assert held(journal) == replace(studio.work(), segments=())


def test_what_a_newer_version_holds_is_printed_by_an_older_one_that_comes_after_it(tmp_path: Path) -> None:
    """Fields that are not known lie in the journal, beside all that is."""
    clock = HandClock()
    node = Rig(tmp_path, make_studio(clock), clock)
    node.fetch()
    with node.journal.transaction() as db:
        for table in ("document", "segment"):
            for key, body in db.execute(f"SELECT rowid, body FROM {table}").fetchall():
                data = json.loads(body)
                if isinstance(data, dict):
                    odd = json.dumps(data | {"mood": "calm"})
                    db.execute(f"UPDATE {table} SET body = ? WHERE rowid = ?", (odd, key))
    node.crash()
    node.start()
    node.run_columns(5)
    assert len(node.paper().laid) == 5
