"""Scenarios in simulated worlds: played, and judged as the fault runs are."""

from __future__ import annotations

import shutil
import sqlite3
from contextlib import closing
from hashlib import sha256

from machines.node.store.journal import FILE_NAME
from server.demo.processes import DemoError
from tests.faults.scenario import Scenario
from tests.faults.series import judged
from tests.faults.stage import Stage
from tests.simulated.floor import Floor, Played
from tests.simulated.judged_ends import printed_on
from tests.simulated.judged_hands import wrong_ends
from tests.simulated.judged_recesses import printed_in_recess
from tests.simulated.judged_time import steps_believed_at_once
from tests.simulated.judged_words import words_in_vain, words_not_followed
from tests.simulated.lane import SimulatedLane, Stand, make_stand
from tests.simulated.wrongs import WRONGS, Wrong


def play_one(stand: Stand, scenario: Scenario) -> Played:
    """A scenario from beginning to end, in a world of its own."""
    with stand.lane(scenario) as lane:
        folder = lane.folder / f"seed-{scenario.seed}"
        shutil.rmtree(folder, ignore_errors=True)
        result, stage = judged(lane, scenario, folder)
        result.problems.extend(_log_complaints(lane))
        result.problems.extend([*words_not_followed(stage), *words_in_vain(stage), *steps_believed_at_once(stage)])
        result.problems.extend(
            [*wrong_ends(stage), *printed_on(stage), *printed_in_recess(stage), *lane.relay.complaints]
        )
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


def mistake(name: str) -> Wrong:
    """That is made on purpose."""
    return WRONGS[name]


FLOOR = Floor("simulated", make_stand, play_one, mistake)
