"""Reading what is known at the end of a scenario, when nothing runs any more but the server."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import numpy as np

from machines.drivers.simulated.paper import RECORD, Geometry, Paper, read_paper
from machines.model.profile import Profile
from machines.node.store.journal import FILE_NAME
from server.demo.judging.evidence import Evidence
from server.demo.judging.gathering import gather, read_journal, read_standing
from tests.faults.copies import joined
from tests.faults.furniture import PROFILES
from tests.faults.newer import as_before
from tests.faults.stage import Stage

# With these, what the newest of a journal says is lost.
LOSES = {"wal-lost", "journal-damaged", "node-cloned"}
# After these, a journal goes on that has more, or other numbers, than the server has under its newest enrolment.
JOURNAL_GOES_ON = {"server-rebuilt", "server-restored", "wal-lost"}


def evidence_of(stage: Stage) -> Evidence:
    """Of the board whose word the server takes."""
    board, profile = stage.survivor, Profile.from_json(PROFILES[stage.scenario.profile])
    paper = read_what_lies(stage.board.paper, profile)
    if board is not stage.board and stage.common is not None:
        paper = joined(paper, read_what_lies(board.paper, profile), stage.common)
    studio = stage.lane.studio
    words = [row for status, row in (studio.call("GET", f"overrides/{word}") for word in stage.words) if status == 200]
    told, stands = read_journal(board.home / FILE_NAME), read_standing(board.home / FILE_NAME)
    found = gather(studio, stage.machine, stage.all_runs, profile=profile, paper=paper, journal=told, stands=stands)
    return replace(
        found,
        facts=[as_before(fact) for fact in found.facts],
        words=words,
        notices=[notice for notice in studio.all("notices") if notice["machine"] == stage.machine],
        ahead=stage.ahead,
        whole_journal=not stage.kinds & JOURNAL_GOES_ON,
        attended=stage.scenario.attended,
        boards_lost=bool(stage.scenario.kinds & LOSES),
        newest_lost="wal-lost" in stage.kinds,
        settled_and_lost=stage.settled,
        taken_over=frozenset(stage.taken_over),
    )


def read_what_lies(folder: Path, profile: Profile) -> Paper:
    """The paper in a folder; one on which nothing lies before the machine's first order."""
    if (folder / "paper.ledger").exists():
        return read_paper(folder)
    nothing, dots = np.empty(0, dtype=RECORD), np.zeros((profile.dots_across, 0), dtype=np.bool_)
    geometry = Geometry(
        dots_across=profile.dots_across, columns_per_turn=profile.columns_per_turn, travel=profile.travel
    )
    return Paper(geometry=geometry, dots=dots, laid=nothing, cuts=nothing, refused=nothing)
