"""The tiny node behind a real server, on the simulated machine: by the demonstration's judge it keeps every promise."""

from __future__ import annotations

import ast
import sys
from collections.abc import Iterator
from contextlib import ExitStack, contextmanager
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from machines.drivers.simulated.machine import SimulatedMachine
from machines.drivers.simulated.paper import read_paper
from machines.model.profile import Profile
from machines.protocol.upcasts import read_entry
from machines.serialization import unstructure
from server import jobs
from server.demo.judging.evidence import Evidence
from server.demo.judging.gathering import gather
from server.demo.judging.judge import judge
from server.demo.processes import Studio
from tests import tiny_node
from tests.server.board import later, served
from tests.server.studio import BEGINS, IN_ORDER, RUN, Caller, HeldClock
from tests.tiny_node.calls import NotHeard
from tests.tiny_node.node import Node
from tests.tiny_node.work import Held

pytestmark = pytest.mark.django_db(transaction=True)

PASS_EVERY_S = 300.0
BURSTS = 3


class PowerCut(Exception):
    """The board is off."""


@dataclass
class Simulated:
    """The simulated machine for a tiny node; the power goes at an order, before it is done or after it."""

    machine: SimulatedMachine
    cut_at: list[str]

    def lay(self, place: int, columns: list[tuple[bool, ...]], first_column: int) -> None:
        when = self.cut_at.pop() if self.cut_at else ""
        if when == "before":
            raise PowerCut
        self.machine.lay(place, np.array(columns, dtype=np.bool_).T, first_column)
        if when == "after":
            raise PowerCut


@dataclass
class Place:
    """A studio, a server, and a tiny node beside its machine."""

    studio: Caller
    clock: HeldClock
    home: Path
    address: str = ""
    node: Node | None = None
    cut_at: list[str] = field(default_factory=list)
    reachable: bool = True

    def open_machine(self, held: Held) -> Simulated:
        profile = Profile.from_json(held.profile)
        machine = SimulatedMachine(self.home / "paper", profile, held.run["nozzle_seed"], self.clock, draws=False)
        return Simulated(machine, self.cut_at)

    def start(self) -> Node:
        machines: dict[str, Simulated] = {}

        def opened(held: Held) -> Simulated:
            return machines.setdefault(held.run["id"], self.open_machine(held))

        self.node = Node(self.home, self.clock.elapsed, opened)
        return self.node

    def go_on(self, hours: float) -> None:
        """Steps, and a pass now and then; where the power goes, the board is off until it is started again."""
        until, next_pass_s = later(self.clock.at, hours), self.clock.elapsed()
        while self.clock.at < until:
            if self.clock.elapsed() >= next_pass_s:
                self.exchange()
                next_pass_s += PASS_EVERY_S
            try:
                wait_s = 60.0 if self.node is None else self.node.step()
            except PowerCut:
                assert self.node is not None
                self.node.journal.close()
                self.node, wait_s = None, 60.0
            left_s = min(next_pass_s - self.clock.elapsed(), (until - self.clock.at).total_seconds())
            if wait_s > 0:
                self.clock.sleep(max(min(wait_s, left_s), 0.001))

    def exchange(self) -> None:
        jobs.extend()
        if self.node is None:
            return
        try:
            if not self.reachable:
                raise NotHeard("no network")
            self.node.exchange()
        except NotHeard:
            pass

    def evidence(self) -> Evidence:
        """What the judge looks at."""
        assert self.node is not None and self.studio.token is not None
        accepted = self.node.journal.get("accepted", 0)
        entries = self.node.journal.entries(0, self.node.journal.newest)
        profile = Profile.from_json(self.studio.get("profiles/wren").json()["profile"])
        return gather(
            Studio(self.address, self.studio.token),
            "wren-1",
            ["spring"],
            profile=profile,
            paper=read_paper(self.home / "paper"),
            journal=[(_whole(one), one["seq"] <= accepted) for one in entries],
        )


def _whole(entry: dict[str, Any]) -> dict[str, Any]:
    """With the fields that a node may leave out where they say nothing, as the log has them."""
    return unstructure(read_entry(entry))


@contextmanager
def place(studio: Caller, clock: HeldClock, home: Path, said: dict[str, Any]) -> Iterator[Place]:
    """With a run of six hours from in an hour on."""
    with ExitStack() as stack:
        address = stack.enter_context(served())
        for resource, body in IN_ORDER[:4]:
            if resource == "profiles":
                body = body | {"profile": body["profile"] | {"columns_per_burst": BURSTS}}
            studio.create(resource, body)
        span = {"starts_at": later(BEGINS, 1.0).isoformat(), "ends_at": later(BEGINS, 7.0).isoformat()}
        studio.create("runs", RUN | span | {"segments_per_turn": 96, "strips_per_turn": 24} | said)
        jobs.extend()
        home.mkdir()
        found = Place(studio, clock, home, address)
        found.start().enrol(address, studio.post("machines/wren-1/enrolment").json()["code"])
        yield found
        if found.node is not None:
            found.node.journal.close()


def settled(found: Place) -> list[dict[str, Any]]:
    assert found.node is not None
    entries = found.node.journal.entries(0, found.node.journal.newest)
    return [one for one in entries if one["kind"] == "gap-settled"]


POLICIES: dict[str, dict[str, Any]] = {
    "skip": {"kind": "skip"},
    "replay": {"kind": "replay"},
    "by-cause": {"kind": "skip", "by_cause": [{"causes": ["power"], "rule": {"kind": "replay"}}]},
}


@pytest.mark.parametrize("when", ["before", "after"])
@pytest.mark.parametrize("policy", POLICIES)
def test_it_keeps_every_promise_over_power_cuts_and_a_server_out_of_reach(
    studio: Caller, clock: HeldClock, tmp_path: Path, policy: str, when: str
) -> None:
    with place(studio, clock, tmp_path / "board", {"policy": POLICIES[policy]}) as found:
        found.go_on(2.0)
        found.reachable = False
        found.go_on(0.5)  # by what it holds
        found.cut_at.append(when)
        found.go_on(0.6)  # the power is gone, with the network
        assert found.node is None
        found.start()
        found.go_on(0.1)
        found.reachable = True
        found.go_on(5.0)
        found.exchange()
        assert judge(found.evidence()) == []
        (gap,) = settled(found)
        unknown = gap["gap"]["unknown_end"] - gap["gap"]["first"]
        assert 1 <= unknown <= BURSTS  # the end of a segment parts a burst
        assert gap["decision"]["action"] == ("skip" if policy == "skip" else "replay")
        row = studio.get("runs/spring").json()
        assert row["unknown"] == unknown and row["printed"] + row["skipped"] == 90 - unknown
        assert (row["skipped"] == 0) == (policy != "skip")


def test_it_lays_nothing_while_people_hold_the_run(studio: Caller, clock: HeldClock, tmp_path: Path) -> None:
    with place(studio, clock, tmp_path / "board", {}) as found:
        found.go_on(1.5)
        tag = studio.get("runs/spring").headers["ETag"]
        held = {"at": later(BEGINS, 3.0).isoformat(), "until": later(BEGINS, 4.0).isoformat()}
        assert studio.post("runs/spring/hold?accept=true", held, HTTP_IF_MATCH=tag).status_code == 200
        found.go_on(7.0)
        assert judge(found.evidence()) == []
        assert [one["gap"]["cause"] for one in settled(found)] == ["held"]
        laid = read_paper(found.home / "paper").laid["at"]
        inside = (laid >= later(BEGINS, 3.0).timestamp()) & (laid < later(BEGINS, 4.0).timestamp())
        assert not inside.any()


def test_a_board_that_was_replaced_prints_no_more(studio: Caller, clock: HeldClock, tmp_path: Path) -> None:
    with place(studio, clock, tmp_path / "board", {}) as found:
        found.go_on(2.0)
        other = Node(_new(tmp_path / "other"), clock.elapsed, found.open_machine)
        other.enrol(found.address, studio.post("machines/wren-1/enrolment").json()["code"])
        other.journal.close()
        with pytest.raises(Exception, match="replaced"):
            found.go_on(1.0)


def _new(folder: Path) -> Path:
    folder.mkdir()
    return folder


def test_it_is_of_the_standard_library_alone() -> None:
    folder = Path(tiny_node.__file__).parent
    named = set[str]()
    for file in sorted(folder.glob("*.py")):
        for node in ast.walk(ast.parse(file.read_text())):
            if isinstance(node, ast.Import):
                named |= {alias.name for alias in node.names}
            elif isinstance(node, ast.ImportFrom):
                named.add(node.module or "")
    foreign = {name for name in named if name.partition(".")[0] not in sys.stdlib_module_names}
    assert all(name.startswith("tests.tiny_node") for name in foreign)
    assert {"json", "sqlite3", "zlib"} <= named
