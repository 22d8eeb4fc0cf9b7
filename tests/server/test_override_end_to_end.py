"""A person's word reaches a real node through a real server: power is cut, the board is held, somebody decides, the
person beside the machine lets it go on, and what was missed is printed after all."""

from __future__ import annotations

import json
import signal
import subprocess
import sys
import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from datetime import timedelta
from pathlib import Path
from typing import Any

import pytest
import urllib3

from machines.clock import CompressedClock, utc
from machines.drivers.simulated.paper import read_paper
from machines.node.store.journal import open_journal
from machines.node.work import held_work as holding
from machines.serialization import format_instant
from tests.server.processes import PATIENCE_S, process, run, wait_for_line
from tests.server.studio import IN_ORDER, RUN

# A column, four minutes, lasts half a second.
RATE = 480.0
COLUMN_S = 240.0 / RATE
PRINTED_BEFORE = 3


def wait_for(condition: Callable[[], Any], what: str) -> Any:
    """What a condition gives, once it holds; the limit is for a busy machine and is no promise."""
    deadline = time.monotonic() + PATIENCE_S
    while not (found := condition()):
        assert time.monotonic() < deadline, f"waited in vain for {what}"
        time.sleep(0.05)
    return found


@dataclass
class House:
    """A server, and the folder of a board that talks to it."""

    address: str
    key: str
    home: Path
    environment: dict[str, str]

    def ask(self, method: str, path: str, body: Any = None) -> tuple[int, Any]:
        headers = {"Authorization": f"Bearer {self.key}"}
        answer = urllib3.request(
            method, f"{self.address}api/v1/{path}", headers=headers, json=body, timeout=20.0, retries=False
        )
        return answer.status, json.loads(answer.data)

    def get(self, path: str) -> Any:
        status, answer = self.ask("GET", path)
        assert status == 200, answer
        return answer

    def node(self, *arguments: str, given: str = "") -> None:
        """A command at the board, with what it is given on standard input."""
        command = [sys.executable, "-m", "machines.node", *arguments, "--home", str(self.home)]
        done = subprocess.run(command, input=given, capture_output=True, text=True, timeout=PATIENCE_S, check=False)
        assert done.returncode == 0, done.stderr

    @contextmanager
    def agent(self) -> Iterator[subprocess.Popen[bytes]]:
        """The board's agent, which does not print on by itself after an unplanned stop."""
        with process(
            ["-m", "machines.node", "run", "--home", str(self.home)], self.environment, self.home.parent / "agent.log"
        ) as agent:
            yield agent

    def laid(self) -> set[int]:
        """Running columns on the paper."""
        folder = self.home / "paper"
        return {int(one) for one in read_paper(folder).laid["column"]} if (folder / "paper.ledger").exists() else set()

    def word_held(self) -> str | None:
        """The id of the person's word that the board holds."""
        journal = open_journal(self.home)
        try:
            with journal.reading() as db:
                work = holding.work_held(db)
        finally:
            journal.close()
        return None if work is None or work.override is None else work.override.id


@pytest.fixture
def house(tmp_path: Path) -> Iterator[House]:
    """A studio whose run begins when the board is enrolled; its policy is to leave out what was missed."""
    clock = CompressedClock(time.clock_gettime(time.CLOCK_BOOTTIME), 1_790_000_000.0, RATE)
    environment = {
        "DAYROLL_HOME": str(tmp_path / "home"),
        "DAYROLL_CLOCK": clock.as_text(),
        "DAYROLL_POLL_AFTER_S": "240",
        "DAYROLL_EXTEND_EVERY_S": "1",
        "DAYROLL_HORIZON_H": "48",
    }
    log = tmp_path / "log"
    with process(["-m", "server", "serve", "--port", "0"], environment, log) as server:
        address = wait_for_line(server, log, "Dayroll is at").split()[-1]
        house = House(address, run(["studio-key", "tests"], environment).stdout.strip(), tmp_path / "node", environment)
        for resource, body in IN_ORDER[:4]:
            assert house.ask("POST", resource, body)[0] == 201
        begins = utc(clock.now()) + timedelta(minutes=10)
        span = {"starts_at": format_instant(begins), "ends_at": format_instant(begins + timedelta(hours=40))}
        assert house.ask("POST", "runs", RUN | span)[0] == 201
        code = house.ask("POST", "machines/wren-1/enrolment")[1]["code"]
        house.node("enrol", "--server", address, given=code)
        yield house
    assert "Traceback" not in log.read_text()


def test_an_outage_is_decided_while_the_machine_is_held(house: House) -> None:
    with house.agent() as agent:
        wait_for(lambda: house.get("runs/spring")["printed"] >= PRINTED_BEFORE, "the first columns to be reported")
        agent.send_signal(signal.SIGKILL)
        agent.wait(PATIENCE_S)
    with house.agent() as agent:
        wait_for(lambda: house.get("machines/wren-1")["hold"] == "unplanned-stop", "word of the unplanned stop")
        on_paper = house.laid()
        decide = {"rule": {"kind": "replay"}, "reason": "it must hang whole"}
        word = wait_for(lambda: taken(house.ask("POST", "runs/spring/override", decide)), "something to be missing")
        assert word["because"] == "hold"
        wait_for(lambda: house.word_held() == word["id"], "the board to hear it")
        time.sleep((4 + 2) * COLUMN_S)  # what is late by less is laid, and there is nothing to settle
        assert house.laid() == on_paper, "nothing is laid while it is held"
        house.node("resume")
        outage = wait_for(lambda: settled_by(house, word["id"]), "the gap to be settled by the word")
        assert (outage["action"], outage["policy"]["kind"], outage["differs"]) == ("replay", "skip", None)
        assert outage["paper_mm"] > 0
        assert outage["reason"].startswith("a person decided during the outage")
        over = wait_for(lambda: over_again(house, outage["id"]), "the machine to be true to the sky again")
        replayed = range(over["decision"]["replayed"]["first"], over["decision"]["replayed"]["end"])
        assert len(replayed) > 0
        assert set(replayed) <= house.laid()
        assert house.get(f"overrides/{word['id']}")["used_by"] == outage["id"]
        status, problem = house.ask("POST", f"outages/{outage['id']}/override", decide)
        assert (status, problem["type"].rpartition("/")[2]) == (409, "nothing-open")
        assert "differed" not in {notice["kind"] for notice in house.get("notices")["results"]}
        agent.terminate()
        agent.wait(PATIENCE_S)


def taken(answer: tuple[int, Any]) -> Any:
    """What was said, once it is taken; before anything is missing there is nothing to decide."""
    status, body = answer
    assert status in (201, 409), body
    return body if status == 201 else None


def settled_by(house: House, word: str) -> Any:
    found = [one for one in house.get("outages?limit=1000")["results"] if one["override"] == word]
    return found[0] if found else None


def over_again(house: House, outage: str) -> Any:
    found = house.get(f"outages/{outage}")
    return None if found["is_open"] else found
