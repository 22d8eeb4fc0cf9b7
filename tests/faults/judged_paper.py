"""What must hold of the paper, by itself and against what the log says of it."""

from __future__ import annotations

from collections import Counter, defaultdict
from typing import Any

import numpy as np
from numpy.typing import NDArray

from machines.drivers.simulated.paper import NO_COLUMN, Paper, Records
from machines.imaging.patterns import CUT_PATTERNS
from machines.protocol.journal_entries import ColumnsPrinted, GapSettled, OperatorActed, StripCut
from machines.serialization import parse_instant
from tests.faults.evidence import Evidence
from tests.faults.outcomes import laid_again, named, printed, shown

# A board prints only while its clock is surer than half a column; the rest is for reading instants between knots.
EARLIEST_COLUMNS = 0.55


def _laid(evidence: Evidence) -> dict[int, list[int]]:
    """Running column to its places on the paper, in the order in which they were laid."""
    places: dict[int, list[int]] = defaultdict(list)
    if evidence.paper is not None:
        for record in _of_pictures(evidence.paper):
            places[int(record["column"])].append(int(record["place"]))
    return dict(places)


def _of_pictures(paper: Paper) -> Records:
    """What was laid but for what a person had fed or printed by hand."""
    laid: Records = paper.laid[paper.laid["column"] != NO_COLUMN]
    return laid


def nothing_twice(evidence: Evidence) -> list[str]:
    """No place has two records in the machine's ledger, no column more than were asked for; no order was refused."""
    if evidence.paper is None:
        return []
    complaints = []
    asked = laid_again(evidence)
    if twice := [column for column, places in _laid(evidence).items() if len(places) > 1 + asked[column]]:
        complaints.append(f"laid twice, by column: {shown(twice)}")
    if over := [place for place, count in Counter(evidence.paper.laid["place"].tolist()).items() if count > 1]:
        complaints.append(f"laid twice, by place: {shown(over)}")
    if len(evidence.paper.refused):
        complaints.append(f"ordered over what lies there: {shown(map(int, evidence.paper.refused['column']))}")
    if not asked and np.any(np.diff(_of_pictures(evidence.paper)["column"]) <= 0):
        complaints.append("columns were laid out of order")
    return complaints


def dots_are_the_plates(evidence: Evidence) -> list[str]:
    """Each column that was laid has its plate's dots, and no dot is anywhere else."""
    if evidence.paper is None:
        return []
    laid, wrong = _laid(evidence), []
    blank = np.ones(evidence.paper.dots.shape[1], dtype=bool)
    blank[evidence.paper.laid["place"][evidence.paper.laid["column"] == NO_COLUMN]] = False
    for row in evidence.segments:
        inside = [(column, place) for column, places in laid.items() for place in places if _holds(row, column)]
        if inside:
            columns, places = zip(*inside, strict=True)
            blank[list(places)] = False
            wanted = evidence.plates[row["plate"]].dots[:, np.array(columns) % evidence.columns_per_turn]
            differs = np.any(evidence.paper.dots[:, list(places)] != wanted, axis=0)
            wrong += [column for column, one in zip(columns, differs, strict=True) if one]
    stray = int(np.any(evidence.paper.dots[:, blank], axis=0).sum())
    complaints = [f"other dots than the plate's: {shown(wrong)}"] if wrong else []
    return [*complaints, f"dots in {stray} places where no column lies"] if stray else complaints


def _holds(row: dict[str, int], column: int) -> bool:
    return row["first_column"] <= column < row["end_column"]


def log_agrees_with_paper(evidence: Evidence) -> list[str]:
    """What is reported printed lies where the report says; what lies there is reported, or named as unknown."""
    laid, reported = _laid(evidence), set(printed(evidence))
    unknown, skipped = set(named(evidence, "unknown")), set(named(evidence, "skipped"))
    complaints = []
    if absent := reported - set(laid):
        complaints.append(f"reported printed, but not on the paper: {shown(absent)}")
    if unsaid := set(laid) - reported - unknown:
        complaints.append(f"on the paper, but not reported: {shown(unsaid)}")
    if denied := set(laid) & skipped:
        complaints.append(f"on the paper, though left out: {shown(denied)}")
    for entry in evidence.entries():
        if isinstance(entry, ColumnsPrinted):
            columns = range(entry.columns.first, entry.columns.end)
            places = range(entry.paper_position, entry.paper_position + len(columns))
            moved = [c for c, place in zip(columns, places, strict=True) if place not in laid.get(c, [place])]
            if moved:
                complaints.append(f"elsewhere on the paper than reported: {shown(moved)}")
    return complaints


def cut_where_reported(evidence: Evidence) -> list[str]:
    """Each cut reported as made is in the ledger; another there was ordered and not seen done, or by a board that is
    lost; none is there twice."""
    if evidence.paper is None:
        return []
    found = Counter(evidence.paper.cuts["place"].tolist())
    reported = [entry for entry in evidence.entries() if isinstance(entry, StripCut)]
    made = {entry.paper_position for entry in reported if entry.made}
    passed = {entry.paper_position for entry in reported} | _perhaps_cut_by_hand(evidence)
    complaints = []
    if twice := [place for place, count in found.items() if count > 1]:
        complaints.append(f"cut twice at places {twice}")
    if absent := made - set(found):
        complaints.append(f"reported cuts that nobody made, at places {sorted(absent)}")
    if (unsaid := set(found) - passed) and not evidence.boards_lost:
        complaints.append(f"cuts without a report at places {sorted(unsaid)}")
    return complaints


def _by_hand(evidence: Evidence) -> list[OperatorActed]:
    """What a person had fed, printed or cut by hand."""
    acted = [entry for entry in evidence.entries() if isinstance(entry, OperatorActed)]
    return [entry for entry in acted if entry.paper_position is not None]


def _perhaps_cut_by_hand(evidence: Evidence) -> set[int]:
    """Places where a person had it cut, or had a pattern printed in which it cuts somewhere."""
    found = set[int]()
    for entry in _by_hand(evidence):
        assert entry.paper_position is not None
        if entry.action == "cut":
            found.add(entry.paper_position)
        elif entry.pattern in CUT_PATTERNS:
            found.update(range(entry.paper_position, entry.paper_position + entry.paper_columns))
    return found


def by_hand_where_reported(evidence: Evidence) -> list[str]:
    """What lies on the paper and is of no picture was fed or printed by hand, as far as the board can know; and where
    a person cut and saw it done, there is a cut."""
    if evidence.paper is None or evidence.boards_lost:
        return []
    told = set[int]()
    for entry in _by_hand(evidence):
        assert entry.paper_position is not None
        told.update(range(entry.paper_position, entry.paper_position + entry.paper_columns))
    lies = set(evidence.paper.laid["place"][evidence.paper.laid["column"] == NO_COLUMN].tolist())
    cut = {entry.paper_position or 0 for entry in _by_hand(evidence) if entry.action == "cut" and entry.seen_done}
    complaints = []
    if unsaid := lies - told:
        complaints.append(f"by hand, and nobody was told: {len(unsaid)} places from {min(unsaid)} to {max(unsaid)}")
    if absent := cut - set(evidence.paper.cuts["place"].tolist()):
        complaints.append(f"cut by hand as reported, and not on the paper: places {sorted(absent)}")
    return complaints


def nothing_early(evidence: Evidence) -> list[str]:
    """No column was laid before its burst's instant, as far as the board may be unsure of the time and the server's
    clock was ahead."""
    if evidence.paper is None or not evidence.segments:
        return []
    worst = max((_early_columns(evidence, run) for run in evidence.runs), default=-np.inf)
    return [f"{worst:.2f} columns too early"] if worst > EARLIEST_COLUMNS else []


def _early_columns(evidence: Evidence, run: dict[str, Any]) -> float:
    """By how much the earliest column of a run was laid too early."""
    assert evidence.paper is not None
    rows = [row for row in evidence.segments if row["run"] == run["id"]]
    inside = (evidence.paper.laid["column"] >= run["first_column"]) & (
        evidence.paper.laid["column"] < run["end_column"]
    )
    if not rows or not inside.any():
        return -np.inf
    laid = evidence.paper.laid[inside]
    bursts = np.maximum(laid["column"] - laid["column"] % evidence.columns_per_burst, run["first_column"])
    instants = _planned(evidence, rows, bursts)
    ahead = np.array([_ahead_s(evidence, at) for at in laid["at"]])
    column_s = run["mean_turn_s"] / evidence.columns_per_turn
    early = (instants - ahead - laid["at"]) / column_s
    return float(early.max(initial=-np.inf))


def _planned(evidence: Evidence, rows: list[dict[str, Any]], bursts: NDArray[np.int64]) -> NDArray[np.float64]:
    """The instants of bursts as planned, before any waiting: a column that was laid before its timeline waited is then
    judged rightly, and one that was laid after it somewhat mildly."""
    waited = [
        (entry.decision.shifted.first if entry.decision.shifted else entry.gap.end, entry.decision.shift_s)
        for entry in evidence.entries()
        if isinstance(entry, GapSettled) and entry.run == rows[0]["run"] and entry.decision.shift_s
    ]
    edges = [*(row["first_column"] for row in rows), rows[-1]["end_column"]]
    stamps = [*(row["starts_at"] for row in rows), rows[-1]["ends_at"]]
    befores = [*(row["first_column"] + 1 for row in rows), rows[-1]["end_column"]]
    knots = [
        parse_instant(stamp).timestamp() - sum(shift_s for first, shift_s in waited if first < before)
        for stamp, before in zip(stamps, befores, strict=True)
    ]
    planned: NDArray[np.float64] = np.interp(bursts, edges, knots)
    return planned


def _ahead_s(evidence: Evidence, at: float) -> float:
    """The most that the server's clock was ahead up to an instant; a board keeps for a while to what it was told."""
    return max([0.0, *(ahead_s for since, ahead_s in evidence.ahead if since <= at)])
