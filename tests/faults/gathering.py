"""Reading what is known at the end of a scenario, when nothing runs any more but the server."""

from __future__ import annotations

from machines.imaging.plate import Plate
from tests.faults.evidence import Evidence, joined, read_journal, read_what_lies
from tests.faults.furniture import PROFILES
from tests.faults.stage import Stage

# With these, what the newest of a journal says is lost.
LOSES = {"wal-lost", "journal-damaged", "node-cloned"}
# After these, a journal goes on that has more, or other numbers, than the server has under its newest enrolment.
JOURNAL_GOES_ON = {"server-rebuilt", "server-restored", "wal-lost"}


def evidence_of(stage: Stage) -> Evidence:
    """Of the board whose word the server takes."""
    board, paper = stage.survivor, read_what_lies(stage.board.paper)
    if board is not stage.board and stage.common is not None:
        paper = joined(paper, read_what_lies(board.paper), stage.common)
    studio, profile = stage.lane.studio, PROFILES[stage.scenario.profile]
    runs = [row for status, row in (studio.call("GET", f"runs/{run}") for run in stage.runs) if status == 200]
    segments = [row for run in runs for row in studio.all(f"runs/{run['id']}/segments")]
    words = [row for status, row in (studio.call("GET", f"overrides/{word}") for word in stage.words) if status == 200]
    digests = sorted({row["plate"] for row in segments})
    return Evidence(
        paper=paper,
        runs=runs,
        segments=segments,
        machine=studio.get(f"machines/{stage.machine}"),
        words=words,
        notices=[notice for notice in studio.all("notices") if notice["machine"] == stage.machine],
        facts=studio.all(f"events?stream=machine/{stage.machine}"),
        journal=read_journal(board.home),
        plates={digest: Plate.from_png(studio.raw(f"plates/{digest}.png")) for digest in digests},
        columns_per_burst=profile["columns_per_burst"],
        columns_per_turn=profile["columns_per_turn"],
        ahead=stage.ahead,
        whole_journal=not stage.kinds & JOURNAL_GOES_ON,
        attended=stage.scenario.attended,
        boards_lost=bool(stage.scenario.kinds & LOSES),
        newest_lost="wal-lost" in stage.kinds,
        settled_and_lost=stage.settled,
        taken_over=frozenset(stage.taken_over),
    )
