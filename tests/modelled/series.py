"""Scenarios beside a model of the server: played, judged as the fault runs are, and told."""

from __future__ import annotations

import logging
import os
import pickle
import shutil
import time
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass, replace
from hashlib import sha256
from pathlib import Path
from random import Random

from machines.clock import utc
from machines.node.store.journal import FILE_NAME
from server.demo.judging.gathering import read_journal
from tests.faults.acts import acts
from tests.faults.boards import enrol, make_board
from tests.faults.lane import CLOCK_BEGINS
from tests.faults.play import end, happen, set_out, wait_until_accounted
from tests.faults.scenario import Scenario
from tests.faults.series import verdict
from tests.faults.stage import Stage
from tests.modelled.known import Known
from tests.modelled.lane import (
    MACHINE,
    POLL_AFTER_S,
    ModelLane,
    ModelStudio,
    PlacedModel,
    closed_now_and_then,
)
from tests.modelled.model import never_closed
from tests.modelled.planning import plates, profile_named
from tests.modelled.scenario import draw
from tests.modelled.wrongs import WRONGS
from tests.simulated.edge import ProgramLogs
from tests.simulated.floor import Floor, Played
from tests.simulated.hands import at_boards
from tests.simulated.judged_hands import wrong_ends
from tests.simulated.judged_words import words_not_followed
from tests.simulated.more_acts import MORE_MAKING
from tests.simulated.network import Network
from tests.simulated.served import HOST
from tests.simulated.workers import keep_what_is_there
from tests.simulated.world import VirtualClock, World
from tests.simulated.wrongs import Wrong


@dataclass(frozen=True)
class Stand:
    """What the scenarios of this process stand on, made once.

    Attributes:
        folder: of everything.
        journal: of a board that was enrolled.
        known: what the server knows then, by the name of the profile.
    """

    folder: Path
    journal: bytes
    known: dict[str, bytes]

    @contextmanager
    def lane(self, scenario: Scenario) -> Iterator[ModelLane]:
        """A world of its own for a scenario."""
        world = World(CLOCK_BEGINS.timestamp())
        clock, dice = VirtualClock(world), Random(f"the world of {scenario.seed}")
        known: Known = pickle.loads(self.known[scenario.profile])
        closed = closed_now_and_then if scenario.policy == "closed" else never_closed
        server = PlacedModel(world, clock, known, plates(), POLL_AFTER_S, closed, dice=Random(dice.random()))
        server.start()
        relay = Network(0, world=world, served=server)  # type: ignore[arg-type]
        with at_boards():
            yield ModelLane(
                self.folder, clock, server, ModelStudio(server), relay, HOST,  # type: ignore[arg-type]
                world=world, dice=dice, journal=self.journal, more_making=MORE_MAKING,
            )  # fmt: skip


def make_stand(folder: Path) -> Stand:
    """Set this process up, and enrol the board that every scenario begins with."""
    os.chdir(folder)
    Path("server").mkdir()  # in which there is nothing to be lost
    _quiet()
    known, journal = dict[str, bytes](), b""
    for name in ("crawl", "burst"):
        scenario = draw(1)
        stand = Stand(Path(), b"", {name: pickle.dumps(Known(MACHINE, profile_named(name)))})
        with stand.lane(replace(scenario, profile=name)) as lane:
            board = make_board(lane, scenario, Path("template"), "board", Path("template/paper"))
            enrol(lane, board, MACHINE)
            journal = (board.home / FILE_NAME).read_bytes()
            known[name] = lane.server.copy()
        shutil.rmtree("template")
    keep_what_is_there()
    return Stand(Path(), journal, known)


def _quiet() -> None:
    """What boards say goes to their logs."""
    machines = logging.getLogger("machines")
    machines.setLevel(logging.INFO)
    machines.handlers, machines.propagate = [ProgramLogs()], False


def play_one(stand: Stand, scenario: Scenario) -> Played:
    """A scenario from beginning to end, in a world of its own; its folder stays only where it broke."""
    began, folder = time.monotonic(), Path(f"seed-{scenario.seed}")
    shutil.rmtree(folder, ignore_errors=True)
    with stand.lane(scenario) as lane:
        stage = play(lane, scenario, folder)
        result = verdict(stage, began)
        result.problems.extend([*words_not_followed(stage), *wrong_ends(stage), *lane.relay.complaints])
        digests = _digests(lane, stage)
    if not result.problems:
        shutil.rmtree(folder)
    return Played(result=result, digests=digests, hits=lane.relay.hits)


def play(lane: ModelLane, scenario: Scenario, folder: Path) -> Stage:
    """A scenario, until all that was planned is accounted for."""
    stage = Stage(lane, scenario, folder, MACHINE, utc(lane.clock.now()))
    stage.boards.append(lane.make_board(scenario, folder))
    try:
        set_out(stage)
        happen(stage, acts(stage))
        lane.relay.calm(scenario.seed)
        wait_until_accounted(stage)
    finally:
        end(stage)
    return stage


def _digests(lane: ModelLane, stage: Stage) -> dict[str, str]:
    ledger = stage.survivor.paper / "paper.ledger"
    whole = {
        "known": repr(lane.server.known.facts).encode(),
        "journal": repr(read_journal(stage.survivor.home / FILE_NAME)).encode(),
        "ledger": ledger.read_bytes() if ledger.exists() else b"",
    }
    digests = {name: sha256(octets).hexdigest() for name, octets in whole.items()}
    return digests | {"network": lane.relay.heard.hexdigest()}


def mistake(name: str) -> Wrong:
    """That is made on purpose."""
    return WRONGS[name]


FLOOR = Floor("modelled", make_stand, play_one, mistake)
