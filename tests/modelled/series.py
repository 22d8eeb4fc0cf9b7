"""Scenarios beside a model of the server: played, judged as the fault runs are, and told."""

from __future__ import annotations

import gc
import logging
import multiprocessing
import os
import pickle
import shutil
import tempfile
import time
from collections import Counter
from collections.abc import Iterator, Sequence
from contextlib import contextmanager
from dataclasses import dataclass, replace
from hashlib import sha256
from pathlib import Path
from random import Random
from unittest.mock import patch

from machines.clock import utc
from machines.node import __main__ as command_line
from machines.node.held import Pin
from machines.node.journal import FILE_NAME
from tests.faults.acts import acts
from tests.faults.boards import enrol, make_board
from tests.faults.evidence import read_journal
from tests.faults.lane import CLOCK_BEGINS
from tests.faults.play import end, happen, set_out, wait_until_accounted
from tests.faults.scenario import Scenario
from tests.faults.series import Result, given_up, verdict
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
from tests.simulated.hands import at_boards
from tests.simulated.judged_words import words_not_followed
from tests.simulated.more_acts import MORE_MAKING
from tests.simulated.network import Network
from tests.simulated.served import HOST
from tests.simulated.smallest import smallest
from tests.simulated.world import VirtualClock, World

# Files that need not outlive the series lie in memory, where there is such a place.
IN_MEMORY = Path("/dev/shm")
# From so many scenarios on, workers get so many at a time.
MANY, CHUNK = 1000, 10


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
        with at_boards(), _quick_to_enrol():
            yield ModelLane(
                self.folder, clock, server, ModelStudio(server), relay, HOST,  # type: ignore[arg-type]
                world=world, dice=dice, journal=self.journal, more_making=MORE_MAKING,
            )  # fmt: skip


@dataclass(frozen=True, kw_only=True)
class Played:
    """What became of a scenario.

    Attributes:
        result: as in a series of fault runs.
        digests: of what the server knows, of the journal, of the paper's ledger and of all that went over the network.
        hits: how often the network struck, by kind.
        processor_s: seconds of a processor that it took.
        needed: of a broken one, the numbers of the faults without any of which it would be kept; None of a kept one.
    """

    result: Result
    digests: dict[str, str]
    hits: Counter[str]
    processor_s: float
    needed: list[int] | None = None

    @property
    def again(self) -> str:
        """The command that plays it once more, with no more faults than it takes."""
        only = f"python -m tests.modelled --only {self.result.scenario.seed}"
        return only if self.needed is None else f"{only} --faults {' '.join(map(str, self.needed))}".rstrip()


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
    gc.collect()
    gc.freeze()  # what is there now stays, and need not be looked at again and again
    return Stand(Path(), journal, known)


@contextmanager
def _quick_to_enrol() -> Iterator[None]:
    """Nobody guesses a PIN here: it need not be slow to try."""
    with patch.object(command_line, "hashed", lambda pin: Pin(salt="", hash=pin)):
        yield


def _quiet() -> None:
    """What boards say goes to their logs."""
    machines = logging.getLogger("machines")
    machines.setLevel(logging.INFO)
    machines.handlers, machines.propagate = [ProgramLogs()], False


def play_one(stand: Stand, scenario: Scenario) -> Played:
    """A scenario from beginning to end, in a world of its own; its folder stays only where it broke."""
    began, began_processor_s, folder = time.monotonic(), time.process_time(), Path(f"seed-{scenario.seed}")
    shutil.rmtree(folder, ignore_errors=True)
    with stand.lane(scenario) as lane:
        stage = _play(lane, scenario, folder)
        result = verdict(stage, began)
        result.problems.extend(words_not_followed(stage))
        result.problems.extend(lane.relay.complaints)
        digests = _digests(lane, stage)
    if not result.problems:
        shutil.rmtree(folder)
    took_s = time.process_time() - began_processor_s
    return Played(result=result, digests=digests, hits=lane.relay.hits, processor_s=took_s)


def _play(lane: ModelLane, scenario: Scenario, folder: Path) -> Stage:
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
        "journal": repr(read_journal(stage.survivor.home)).encode(),
        "ledger": ledger.read_bytes() if ledger.exists() else b"",
    }
    digests = {name: sha256(octets).hexdigest() for name, octets in whole.items()}
    return digests | {"network": lane.relay.heard.hexdigest()}


_STANDS: list[Stand] = []


def _begin(folder: str, wrong: str | None) -> None:
    """This process is a worker's, perhaps with a mistake in it."""
    _STANDS.append(make_stand(Path(tempfile.mkdtemp(dir=folder))))
    if wrong is not None:
        WRONGS[wrong].put().__enter__()  # for as long as the process lives


def _work(scenario: Scenario) -> Played:
    played = _play_whatever_happens(scenario)
    if not played.result.problems:
        return played
    breaks = smallest(scenario, lambda one: bool(_play_whatever_happens(one).result.problems))
    return replace(played, needed=breaks)


def _play_whatever_happens(scenario: Scenario) -> Played:
    try:
        return play_one(_STANDS[0], scenario)
    except Exception as error:  # noqa: BLE001 - whatever it is, the others are played all the same
        return Played(result=given_up(scenario, error), digests={}, hits=Counter(), processor_s=0.0)


def play_all(scenarios: Sequence[Scenario], workers: int, wrong: str | None = None) -> Iterator[Played]:
    """Play scenarios, several at a time; each as soon as it is played.

    Args:
        scenarios: to play.
        workers: processes.
        wrong: name of a mistake to be put in place; None for none.
    """
    place = IN_MEMORY if IN_MEMORY.is_dir() else None
    with (
        tempfile.TemporaryDirectory(prefix="dayroll-modelled-", dir=place) as folder,
        multiprocessing.get_context("spawn").Pool(workers, _begin, (folder, wrong)) as pool,
    ):
        yield from pool.imap_unordered(_work, scenarios, chunksize=1 if len(scenarios) < MANY else CHUNK)
