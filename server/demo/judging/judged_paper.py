"""What must hold of the paper, by itself and against what the log says of it."""

from __future__ import annotations

from collections import Counter
from typing import Any

import numpy as np
from numpy.typing import NDArray

from machines.drivers.simulated.paper import NO_COLUMN
from machines.protocol.journal_entries import ColumnsPrinted, GapSettled
from machines.recovery import Columns
from machines.serialization import parse_instant
from server.demo.judging.column_outcomes import laid_again, named, printed, reported_as, shown
from server.demo.judging.evidence import Evidence

# A board prints only while its clock is surer than half a column; the rest is for reading instants between knots.
EARLIEST_COLUMNS = 0.55


def nothing_twice(evidence: Evidence) -> list[str]:
    """No place has two records in the machine's ledger, no column more than were asked for; no order was refused."""
    complaints = []
    asked = laid_again(evidence)
    if twice := [column for column, places in evidence.places.items() if len(places) > 1 + asked[column]]:
        complaints.append(f"laid twice, by column: {shown(twice)}")
    if over := [place for place, count in Counter(evidence.paper.laid["place"].tolist()).items() if count > 1]:
        complaints.append(f"laid twice, by place: {shown(over)}")
    if len(evidence.paper.refused):
        complaints.append(f"ordered over what lies there: {shown(map(int, evidence.paper.refused['column']))}")
    if not asked and np.any(np.diff(evidence.of_pictures["column"]) <= 0):
        complaints.append("columns were laid out of order")
    return complaints


def dots_are_the_plates(evidence: Evidence) -> list[str]:
    """Each column that was laid has its plate's dots, and no dot is anywhere else."""
    wrong, stray = differing_dots(evidence)
    complaints = [f"other dots than the plate's: {shown(wrong)}"] if wrong else []
    return [*complaints, f"dots in {stray} places where no column lies"] if stray else complaints


def differing_dots(evidence: Evidence) -> tuple[list[int], int]:
    """Columns with other dots than their plate's, and in how many places there are dots and no column. Where two runs
    have a column, it is of the one that it was reported of; of either, where nobody reported it."""
    laid, differ, of_runs = evidence.places, dict[tuple[int, int], bool](), reported_as(evidence)
    blank = np.ones(evidence.paper.dots.shape[1], dtype=bool)
    blank[evidence.paper.laid["place"][evidence.paper.laid["column"] == NO_COLUMN]] = False
    for row in evidence.whole_segments:
        inside = [(column, place) for column, places in laid.items() for place in places if _holds(row, column)]
        if inside:
            columns, places = zip(*inside, strict=True)
            blank[list(places)] = False
            wanted = evidence.plates[row["plate"]].dots[:, np.array(columns) % evidence.profile.columns_per_turn]
            differs = np.any(evidence.paper.dots[:, list(places)] != wanted, axis=0)
            for one, is_wrong in zip(inside, differs.tolist(), strict=True):
                if row["run"] in of_runs.get(one, (row["run"],)):
                    differ[one] = differ.get(one, True) and is_wrong
    return [column for (column, _), is_wrong in differ.items() if is_wrong], int(
        np.any(evidence.paper.dots[:, blank], axis=0).sum()
    )


def _holds(row: dict[str, int], column: int) -> bool:
    return row["first_column"] <= column < row["end_column"]


def log_agrees_with_paper(evidence: Evidence) -> list[str]:
    """What is reported printed lies where the report says; what lies there is reported, or named as unknown. Of what is
    planned no more, a board whose journal lost it settles nothing."""
    laid, reported = evidence.places, set(printed(evidence))
    unknown, skipped = set(named(evidence, "unknown")), set(named(evidence, "skipped"))
    unnamed = evidence.ever_planned - evidence.planned if evidence.boards_lost else set()
    complaints = []
    if absent := reported - set(laid):
        complaints.append(f"reported printed, but not on the paper: {shown(absent)}")
    if unsaid := set(laid) - reported - unknown - unnamed:
        complaints.append(f"on the paper, but not reported: {shown(unsaid)}")
    if denied := set(laid) & skipped:
        complaints.append(f"on the paper, though left out: {shown(denied)}")
    for entry in evidence.of(ColumnsPrinted):
        if moved := _elsewhere(evidence, entry.columns, entry.paper_position):
            complaints.append(f"elsewhere on the paper than reported: {shown(moved)}")
    return complaints


def unknown_in_its_place(evidence: Evidence) -> list[str]:
    """What a board names as unknown lies where it has left room for it, if at all; but for what was laid once more, and
    what a board that is lost had laid: the one after it does not know how far that came."""
    if evidence.boards_lost:
        return []
    again, complaints = laid_again(evidence), []
    for entry in evidence.of(GapSettled):
        moved = _elsewhere(evidence, entry.decision.unknown, entry.paper_position)
        if moved := [column for column in moved if not again[column]]:
            complaints.append(f"unknown, and elsewhere on the paper than there was room: {shown(moved)}")
    return complaints


def _elsewhere(evidence: Evidence, columns: Columns, first_place: int) -> list[int]:
    """Those of columns that lie on the paper, but not side by side from a place on."""
    places = enumerate(range(columns.first, columns.end), first_place)
    return [column for place, column in places if place not in evidence.places.get(column, [place])]


def nothing_early(evidence: Evidence) -> list[str]:
    """No column was laid before its burst's instant, as far as the board may be unsure of the time and the server's
    clock was ahead."""
    if not evidence.segments:
        return []
    worst = max((_early_columns(evidence, run) for run in evidence.runs), default=-np.inf)
    return [f"{worst:.2f} columns too early"] if worst > EARLIEST_COLUMNS else []


def _early_columns(evidence: Evidence, run: dict[str, Any]) -> float:
    """By how much the earliest column of a run was laid too early."""
    rows = [row for row in evidence.segments if row["run"] == run["id"]]
    columns = evidence.paper.laid["column"]
    inside = (columns >= run["first_column"]) & (columns < run["end_column"])
    inside &= _perhaps_of(evidence, run["id"])
    if not rows or not inside.any():
        return -np.inf
    laid = evidence.paper.laid[inside]
    cadence = evidence.profiles.get(run["id"], evidence.profile).columns_per_burst
    bursts = np.maximum(laid["column"] - laid["column"] % cadence, run["first_column"])
    instants = _planned(evidence, rows, bursts)
    ahead = np.array([_ahead_s(evidence, at) for at in laid["at"]])
    column_s = run["mean_turn_s"] / evidence.profile.columns_per_turn
    early = (instants - ahead - laid["at"]) / column_s
    return float(early.max(initial=-np.inf))


def _perhaps_of(evidence: Evidence, run: str) -> NDArray[np.bool_]:
    """What was laid and not reported as of other runs alone, as of the one before that went on unheard."""
    of_runs, laid = reported_as(evidence), evidence.paper.laid
    where = zip(laid["column"].tolist(), laid["place"].tolist(), strict=True)
    return np.array([run in of_runs.get(one, (run,)) for one in where], dtype=np.bool_)


def _planned(evidence: Evidence, rows: list[dict[str, Any]], bursts: NDArray[np.int64]) -> NDArray[np.float64]:
    """The instants of bursts as planned, before any waiting: a column that was laid before its timeline waited is then
    judged rightly, and one that was laid after it somewhat mildly."""
    waited = [
        (entry.decision.shifted.first if entry.decision.shifted else entry.gap.end, entry.decision.shift_s)
        for entry in evidence.of(GapSettled)
        if entry.run == rows[0]["run"] and entry.decision.shift_s
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
