"""Many scenarios in simulated worlds, several at a time; told and summed up as fault runs are."""

from __future__ import annotations

import multiprocessing
import shutil
import sqlite3
import tempfile
import time
from collections import Counter
from collections.abc import Iterator, Sequence
from contextlib import closing
from dataclasses import dataclass, replace
from hashlib import sha256
from pathlib import Path

from machines.node.journal import FILE_NAME
from server.demo.processes import DemoError
from tests.faults.scenario import Scenario
from tests.faults.series import Result, given_up, judged
from tests.faults.stage import Stage
from tests.simulated.judged_time import steps_believed_at_once
from tests.simulated.judged_words import words_in_vain, words_not_followed
from tests.simulated.lane import SimulatedLane, Stand, make_stand
from tests.simulated.smallest import smallest
from tests.simulated.wrongs import WRONGS

# Files that need not outlive the series lie in memory, where there is such a place.
IN_MEMORY = Path("/dev/shm")


@dataclass(frozen=True, kw_only=True)
class Played:
    """What became of a scenario.

    Attributes:
        result: as in a series of fault runs.
        digests: of the log, the journal, the paper's ledger and all that went over the network, by name.
        hits: how often the network struck, by kind.
        processor_s: seconds of a processor that it took.
        needed: of a broken one, the numbers of the faults without any of which it would be kept; None of a kept one.
    """

    result: Result
    digests: dict[str, str]
    hits: Counter[str]
    processor_s: float = 0.0
    needed: list[int] | None = None

    @property
    def again(self) -> str:
        """The command that plays it once more, with no more faults than it takes."""
        only = f"python -m tests.simulated --only {self.result.scenario.seed}"
        return only if self.needed is None else f"{only} --faults {' '.join(map(str, self.needed))}".rstrip()


def play_one(stand: Stand, scenario: Scenario) -> Played:
    """A scenario from beginning to end, in a world of its own."""
    with stand.lane(scenario) as lane:
        folder = lane.folder / f"seed-{scenario.seed}"
        shutil.rmtree(folder, ignore_errors=True)
        result, stage = judged(lane, scenario, folder)
        result.problems.extend(_log_complaints(lane))
        result.problems.extend([*words_not_followed(stage), *words_in_vain(stage), *steps_believed_at_once(stage)])
        result.problems.extend(lane.relay.complaints)
        result.problems.extend(complaint for card in lane.cards for complaint in card.complaints)
        digests = _digests(lane, stage)
        if not result.problems:
            shutil.rmtree(folder)
        return Played(result=result, digests=digests, hits=lane.relay.hits)


def _log_complaints(lane: SimulatedLane) -> list[str]:
    """The log's own checks: unbroken, and its views the same when they are folded again."""
    found = []
    for command in ("verify", "rebuild"):
        try:
            lane.command("log", command)
        except DemoError as error:
            found.append(f"the log: {error}")
    return found


def _digests(lane: SimulatedLane, stage: Stage) -> dict[str, str]:
    from django.db import connection

    with connection.cursor() as cursor:
        log = cursor.execute("SELECT position, stream, version, digest FROM log_event ORDER BY position").fetchall()
    with closing(sqlite3.connect(stage.survivor.home / FILE_NAME)) as journal:
        told = journal.execute("SELECT * FROM entry ORDER BY seq").fetchall()
    ledger = stage.survivor.paper / "paper.ledger"
    return {
        "log": sha256(repr(log).encode()).hexdigest(),
        "journal": sha256(repr(told).encode()).hexdigest(),
        "ledger": sha256(ledger.read_bytes() if ledger.exists() else b"").hexdigest(),
        "network": lane.relay.heard.hexdigest(),
    }


_STANDS: list[Stand] = []


def _begin(folder: str, wrong: str | None) -> None:
    """This process is a worker's, perhaps with a mistake in it."""
    _STANDS.append(make_stand(Path(tempfile.mkdtemp(dir=folder))))
    if wrong is not None:
        WRONGS[wrong].put().__enter__()  # for as long as the process lives


def _work(scenario: Scenario) -> Played:
    began_s = time.process_time()
    played = _play(scenario)
    played = replace(played, processor_s=time.process_time() - began_s)
    if not played.result.problems:
        return played
    return replace(played, needed=smallest(scenario, lambda one: bool(_play(one).result.problems)))


def _play(scenario: Scenario) -> Played:
    try:
        return play_one(_STANDS[0], scenario)
    except Exception as error:  # noqa: BLE001 - whatever it is, the others are played all the same
        return Played(result=given_up(scenario, error), digests={}, hits=Counter())


def play_all(scenarios: Sequence[Scenario], workers: int, wrong: str | None = None) -> Iterator[Played]:
    """Play scenarios, several at a time; each as soon as it is played.

    Args:
        scenarios: to play.
        workers: processes.
        wrong: name of a mistake to be put in place; None for none.
    """
    place = IN_MEMORY if IN_MEMORY.is_dir() else None
    with (
        tempfile.TemporaryDirectory(prefix="dayroll-simulated-", dir=place) as folder,
        # Nothing of the server may be there before the folder is.
        multiprocessing.get_context("spawn").Pool(workers, _begin, (folder, wrong)) as pool,
    ):
        yield from pool.imap_unordered(_work, scenarios)
