"""Waits for the server have an end, and a person at the machine need not wait for it."""

from __future__ import annotations

import time
from collections.abc import Callable, Iterator
from contextlib import closing
from pathlib import Path

import pytest

from machines.errors import InputError
from machines.node.__main__ import main
from machines.node.store.journal import open_journal
from machines.node.sync import call_now
from tests.machines.node import hostile
from tests.machines.node.test_cli_manual import Make, bench_at
from tests.machines.node.test_end_to_end import Bench, wait_for

__all__ = ["bench_at"]  # the fixture


def busy_for(wait_s: int) -> bytes:
    """The server's own word that it wants to be left alone for so long."""
    octets = hostile.problem("503 Service Unavailable", "about:blank")
    return octets.replace(b"\r\n", f"\r\nRetry-After: {wait_s}\r\n".encode(), 1)


@pytest.fixture
def bench(bench_at: Make) -> Iterator[Bench]:
    """At the pace of life: an hour is an hour."""
    yield bench_at(1.0)


def shows(bench: Bench, kind: str) -> Callable[[], bool]:
    return lambda: bench.status().reach.kind == kind


def test_a_person_has_the_server_called_though_it_asked_for_an_hour(bench: Bench) -> None:
    bench.studio.instead = lambda path: [busy_for(90_000)]
    agent = bench.start()
    wait_for(shows(bench, "busy"), "the word that the server is busy")
    found = bench.status().reach
    assert found.again in ("in 1 h 0 min", "in 59 min")
    assert found.says in bench.call("status").stdout
    said = bench.call("call", expect=3).stderr
    assert "the agent has called: the server is busy" in said
    asked: list[str] = []

    def listen(path: str) -> None:
        asked.append(path)

    bench.studio.instead = listen
    time.sleep(1.0)
    assert asked == [], "it waits"
    assert "The server: in reach; heard" in bench.call("call").stdout
    assert bench.status().reach.kind == ""
    bench.wait_for_columns(1)
    bench.stop(agent)


def test_since_when_it_is_out_of_reach_outlives_the_agent(bench: Bench) -> None:
    agent = bench.start()
    wait_for(lambda: bool(bench.status().reach.heard), "the server's answer")
    bench.studio.instead = lambda path: [hostile.answer("502 Bad Gateway", hostile.HTML, "Content-Type: text/html")]
    wait_for(shows(bench, "between"), "the word of what is between")
    since = bench.status().reach.since
    bench.kill(agent)
    assert bench.status().reach.again == "", "nobody calls"
    agent = bench.start()
    wait_for(lambda: bench.status().agent_runs, "the agent")
    assert bench.call("call", expect=3).stderr.count("(portal)") == 1
    found = bench.status().reach
    assert found.since.split(" (")[0] == since.split(" (")[0]
    bench.stop(agent)


def test_without_an_agent_nobody_calls(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    open_journal(tmp_path, create=True).close()
    assert main(["call", "--home", str(tmp_path)]) == 2
    assert "no agent is running" in capsys.readouterr().err


def test_who_asks_while_a_pass_is_under_way_waits_for_the_next(tmp_path: Path) -> None:
    with closing(open_journal(tmp_path, create=True)) as journal, journal.transaction() as db:
        call_now.end(db)
        assert not call_now.is_asked(db)
        call_now.ask(db)
        call_now.begin(db)
        assert not call_now.is_asked(db)
        call_now.ask(db)
        call_now.end(db)
        assert call_now.is_asked(db)
        call_now.begin(db)
        call_now.end(db)
        assert not call_now.is_asked(db)


def test_a_person_is_not_kept_waiting_for_ever(tmp_path: Path) -> None:
    with closing(open_journal(tmp_path, create=True)) as journal:
        call_now.wait(journal, 0.2)
        with journal.transaction() as db:
            call_now.ask(db)
        with pytest.raises(InputError, match="it goes on"):
            call_now.wait(journal, 0.2)
