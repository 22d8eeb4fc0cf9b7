"""Evidence of a run in which all is as it should be, for tests that change just one thing of it."""

from __future__ import annotations

from collections.abc import Callable
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any

import numpy as np

from machines.clock import utc
from machines.drivers.simulated.paper import PaperWriter, read_paper
from machines.protocol.journal_entries import ColumnsPrinted, GapSettled, KnifeArmed, NodeStarted, StripCut
from machines.recovery import Columns, Gap, Pace, Policy, settle
from machines.serialization import format_instant, unstructure
from server.demo.judging.evidence import Evidence
from tests.machines.node.relay import line_profile, picture

PROFILE = line_profile()
PLATE = picture(PROFILE)
FIRST, GAP, END = 100, (110, 116), 130
BEGINS = datetime(2026, 9, 1, tzinfo=UTC)
COLUMN_S = 120.0
SKIP = Policy(kind="skip")
AGAIN = Policy(kind="skip", half_printed="again")
Lay = Callable[[PaperWriter], None]


def instant(column: int) -> float:
    return BEGINS.timestamp() + (column - FIRST) * COLUMN_S


def lay(paper: PaperWriter, first: int, end: int, place: int, *, early_s: float = 0.0) -> None:
    at = np.array([instant(column) - early_s for column in range(first, end)])
    paper.lay(place, PLATE.running(first, end), first, at)


def printed(seq: int, first: int, end: int, place: int) -> dict[str, Any]:
    entry = ColumnsPrinted(
        seq=seq,
        at=utc(instant(end)),
        run="run",
        segment=1,
        columns=Columns(first=first, end=end),
        columns_done=end - first,
        paper_position=place,
        worst_miss_s=0.0,
    )
    return unstructure(entry)


def settled(seq: int, first: int, unknown_end: int, end: int, policy: Policy = SKIP) -> dict[str, Any]:
    """A gap in a segment of which half lies on the paper."""
    half = Columns(first=FIRST, end=GAP[1] - 2)
    at = utc(instant(end))
    gap = Gap(first=first, unknown_end=unknown_end, end=end, cause="power", noticed_at=at, segment=half)
    pace = Pace(nominal_columns_per_s=1 / COLUMN_S, highest_columns_per_s=4 / COLUMN_S, columns_per_burst=1)
    decision = settle(policy, gap, pace)
    entry = GapSettled(seq=seq, at=at, run="run", gap=gap, policy=policy, decision=decision, paper_position=10)
    return unstructure(entry)


def told() -> list[dict[str, Any]]:
    """What a good board says of its run: ten columns, a gap of six, the rest."""
    return [
        unstructure(NodeStarted(seq=1, at=BEGINS, unplanned_stop=False)),
        printed(2, FIRST, GAP[0], 0),
        settled(3, GAP[0], GAP[0] + 1, GAP[1]),
        unstructure(StripCut(seq=4, at=utc(instant(GAP[1])), run="run", boundary=105, paper_position=5, made=True)),
        printed(5, GAP[1], END, 11),
    ]


def good_paper(paper: PaperWriter) -> None:
    """As told; the unknown column in place 10 was not laid."""
    lay(paper, FIRST, GAP[0], 0)
    paper.cut(5, instant(GAP[1]))
    lay(paper, GAP[1], END, 11)


def evidence(folder: Path, lay_all: Lay = good_paper, entries: list[dict[str, Any]] | None = None) -> Evidence:
    """Of a run of thirty columns in one segment."""
    paper = PaperWriter(folder, PROFILE)
    lay_all(paper)
    paper.close()
    entries = told() if entries is None else entries
    armed = {"kind": "knife-armed", "data": unstructure(KnifeArmed(seq=1, at=BEGINS))}
    enrolled, again = (
        {"kind": "node-enrolled", "data": {"epoch": epoch}, "said_at": format_instant(BEGINS)} for epoch in (1, 2)
    )
    stamps = {
        "starts_at": format_instant(BEGINS),
        "ends_at": format_instant(BEGINS + timedelta(seconds=COLUMN_S * (END - FIRST))),
    }
    span = {"first_column": FIRST, "end_column": END}
    said = {"longest_column": END, "beyond": 0, "withdrawn_at": None}
    counts = {"printed": 24, "unknown": 1, "skipped": 5}
    return Evidence(
        profile=PROFILE,
        paper=read_paper(folder),
        runs=[span | said | counts | {"id": "run", "mean_turn_s": COLUMN_S * PROFILE.columns_per_turn}],
        segments=[span | counts | stamps | {"run": "run", "plate": PLATE.digest, "number": 1, "finished_at": "then"}],
        machine={"accepted_through": len(entries)},
        facts=[
            enrolled,
            armed,
            again,
            *({"kind": entry["kind"], "data": entry} for entry in entries),
        ],
        journal=[(entry, True) for entry in entries],
        plates={PLATE.digest: PLATE},
    )
