"""What must hold after every scenario: each check gives the complaints that it has, in words; none is good."""

from __future__ import annotations

from collections import Counter
from collections.abc import Callable, Iterable, Sequence

import numpy as np

from machines.entries import ColumnsPrinted, GapSettled, StripCut
from machines.structure import parse_instant
from tests.faults.evidence import Evidence

# A board prints only while its clock is surer than half a column; the rest is for reading instants between knots.
EARLIEST_COLUMNS = 0.55

Check = Callable[[Evidence], list[str]]


def judge(evidence: Evidence, checks: Sequence[Check] | None = None) -> list[str]:
    """Every complaint of every check."""
    return [complaint for check in (CHECKS if checks is None else checks) for complaint in check(evidence)]


def _shown(columns: Iterable[int]) -> str:
    """Columns in words, as few as it takes."""
    ordered = sorted(columns)
    return f"{len(ordered)} columns from {ordered[0]} to {ordered[-1]}"


def _laid(evidence: Evidence) -> dict[int, int]:
    """Running column to place on the paper."""
    if evidence.paper is None:
        return {}
    return {int(record["column"]): int(record["place"]) for record in evidence.paper.laid}


def _printed(evidence: Evidence) -> Counter[int]:
    printed: Counter[int] = Counter()
    for entry in evidence.entries():
        if isinstance(entry, ColumnsPrinted):
            printed.update(range(entry.columns.first, entry.columns.end))
    return printed


def _named(evidence: Evidence, part: str) -> Counter[int]:
    """Columns that decisions name as ``unknown`` or ``skipped``; how often.

    Where an outage interrupts the making good of another, its decision takes over what that one said of columns that
    printing has not come to yet.
    """
    named: Counter[int] = Counter()
    reached = evidence.run["first_column"]
    for entry in evidence.entries():
        if isinstance(entry, ColumnsPrinted):
            reached = max(reached, entry.columns.end)
        elif isinstance(entry, GapSettled):
            for column in range(max(entry.gap.first, reached), entry.gap.end):
                del named[column]  # a counter does not mind where there is none
            columns = getattr(entry.decision, part)
            named.update(range(columns.first, columns.end))
    return named


def nothing_twice(evidence: Evidence) -> list[str]:
    """No column and no place has two records in the machine's ledger, and no order was refused."""
    if evidence.paper is None:
        return []
    complaints = []
    for what in ("column", "place"):
        twice = [int(one) for one, count in Counter(evidence.paper.laid[what].tolist()).items() if count > 1]
        if twice:
            complaints.append(f"laid twice, by {what}: {_shown(twice)}")
    if len(evidence.paper.refused):
        complaints.append(f"ordered over what lies there: {_shown(map(int, evidence.paper.refused['column']))}")
    if np.any(np.diff(evidence.paper.laid["column"]) <= 0):
        complaints.append("columns were laid out of order")
    return complaints


def dots_are_the_plates(evidence: Evidence) -> list[str]:
    """Each column that was laid has its plate's dots, and no dot is anywhere else."""
    if evidence.paper is None:
        return []
    laid, wrong = _laid(evidence), []
    blank = np.ones(evidence.paper.dots.shape[1], dtype=bool)
    for row in evidence.segments:
        columns = [column for column in range(row["first_column"], row["end_column"]) if column in laid]
        if columns:
            places = [laid[column] for column in columns]
            blank[places] = False
            wanted = evidence.plates[row["plate"]].dots[:, np.array(columns) % evidence.columns_per_turn]
            differs = np.any(evidence.paper.dots[:, places] != wanted, axis=0)
            wrong += [column for column, one in zip(columns, differs, strict=True) if one]
    stray = int(np.any(evidence.paper.dots[:, blank], axis=0).sum())
    complaints = [f"other dots than the plate's: {_shown(wrong)}"] if wrong else []
    return [*complaints, f"dots in {stray} places where no column lies"] if stray else complaints


def every_column_once(evidence: Evidence) -> list[str]:
    """Every column planned was reported printed, or named unknown or left out, and only one of them."""
    outcomes = _printed(evidence) + _named(evidence, "unknown") + _named(evidence, "skipped")
    planned = set(range(evidence.run["first_column"], evidence.run["end_column"]))
    complaints = []
    if missing := planned - set(outcomes):
        complaints.append(f"no outcome: {_shown(missing)}")
    if strange := set(outcomes) - planned:
        complaints.append(f"an outcome, though not planned: {_shown(strange)}")
    if several := [column for column, count in outcomes.items() if count > 1]:
        complaints.append(f"more than one outcome: {_shown(several)}")
    return complaints


def log_agrees_with_paper(evidence: Evidence) -> list[str]:
    """What is reported printed lies where the report says; what lies there is reported, or named as unknown."""
    laid, printed = _laid(evidence), set(_printed(evidence))
    unknown, skipped = set(_named(evidence, "unknown")), set(_named(evidence, "skipped"))
    complaints = []
    if absent := printed - set(laid):
        complaints.append(f"reported printed, but not on the paper: {_shown(absent)}")
    if unsaid := set(laid) - printed - unknown:
        complaints.append(f"on the paper, but not reported: {_shown(unsaid)}")
    if denied := set(laid) & skipped:
        complaints.append(f"on the paper, though left out: {_shown(denied)}")
    for entry in evidence.entries():
        if isinstance(entry, ColumnsPrinted):
            columns = range(entry.columns.first, entry.columns.end)
            places = range(entry.paper_position, entry.paper_position + len(columns))
            moved = [c for c, place in zip(columns, places, strict=True) if laid.get(c, place) != place]
            if moved:
                complaints.append(f"elsewhere on the paper than reported: {_shown(moved)}")
    return complaints


def views_agree_with_log(evidence: Evidence) -> list[str]:
    """The run and its segments, as the API shows them, count what the log says."""
    printed = set(_printed(evidence))
    unknown = set(_named(evidence, "unknown")) - printed
    skipped = set(_named(evidence, "skipped")) - printed - unknown
    complaints = []
    for name, columns in (("printed", printed), ("unknown", unknown), ("skipped", skipped)):
        shown = evidence.run[name], sum(row[name] for row in evidence.segments)
        if shown != (len(columns), len(columns)):
            complaints.append(f"{name}: the log says {len(columns)}, the run and its segments {shown}")
    return complaints


def entries_taken_once(evidence: Evidence) -> list[str]:
    """The newest board's journal and the server's log hold the same entries in order, numbered without holes."""
    kept = [entry for entry, _ in evidence.journal]
    told = evidence.told_by_newest
    complaints = []
    if kept != told:
        first = next((i for i, (a, b) in enumerate(zip(kept, told, strict=False)) if a != b), min(len(kept), len(told)))
        complaints.append(f"journal ({len(kept)}) and log ({len(told)}) differ from entry {first + 1} on")
    if not all(accepted for _, accepted in evidence.journal):
        complaints.append("entries that the board does not know to be taken")
    numbers = [entry["seq"] for entry in told]
    if numbers != list(range(1, len(numbers) + 1)):
        complaints.append(f"the log's entries are numbered {numbers[:3]} to {numbers[-3:]}")
    if evidence.machine["accepted_through"] != len(kept):
        complaints.append(f"taken through {evidence.machine['accepted_through']} of {len(kept)}")
    return complaints


def settled_alike(evidence: Evidence) -> list[str]:
    """The server would have settled every gap as the board did."""
    differed = sum(fact["kind"] == "settlement-differed" for fact in evidence.facts)
    return [f"{differed} gaps would have been settled otherwise by the server"] if differed else []


def cut_where_reported(evidence: Evidence) -> list[str]:
    """Each cut reported as made is in the ledger; another there was ordered and not seen done; none is there twice."""
    if evidence.paper is None:
        return []
    found = Counter(evidence.paper.cuts["place"].tolist())
    reported = [entry for entry in evidence.entries() if isinstance(entry, StripCut)]
    made = {entry.paper_position for entry in reported if entry.made}
    passed = {entry.paper_position for entry in reported}
    complaints = []
    if twice := [place for place, count in found.items() if count > 1]:
        complaints.append(f"cut twice at places {twice}")
    if absent := made - set(found):
        complaints.append(f"reported cuts that nobody made, at places {sorted(absent)}")
    if unsaid := set(found) - passed:
        complaints.append(f"cuts without a report at places {sorted(unsaid)}")
    return complaints


def nothing_early(evidence: Evidence) -> list[str]:
    """No column was laid before its burst's instant, as far as the board may be unsure of the time."""
    if evidence.paper is None or not evidence.segments:
        return []
    rows = evidence.segments
    edges = [*(row["first_column"] for row in rows), rows[-1]["end_column"]]
    stamps = [*(row["starts_at"] for row in rows), rows[-1]["ends_at"]]
    instants = [parse_instant(stamp).timestamp() for stamp in stamps]
    columns = evidence.paper.laid["column"]
    bursts = np.maximum(columns - columns % evidence.columns_per_burst, evidence.run["first_column"])
    column_s = evidence.run["mean_turn_s"] / evidence.columns_per_turn
    early = (np.interp(bursts, edges, instants) - evidence.paper.laid["at"]) / column_s
    worst = float(early.max(initial=-np.inf))
    return [f"{worst:.2f} columns too early"] if worst > EARLIEST_COLUMNS else []


CHECKS: tuple[Check, ...] = (
    nothing_twice,
    dots_are_the_plates,
    every_column_once,
    log_agrees_with_paper,
    views_agree_with_log,
    entries_taken_once,
    settled_alike,
    cut_where_reported,
    nothing_early,
)
