"""What the log says became of columns, counted anew from what boards told."""

from __future__ import annotations

from collections import Counter, defaultdict
from collections.abc import Iterable
from dataclasses import replace

from machines.protocol.journal_entries import ColumnsPrinted, GapSettled
from server.demo.judging.evidence import Evidence


def shown(columns: Iterable[int]) -> str:
    """Columns in words, as few as it takes."""
    ordered = sorted(columns)
    return f"{len(ordered)} columns from {ordered[0]} to {ordered[-1]}"


def printed(evidence: Evidence, run: str | None = None) -> Counter[int]:
    """Columns that were reported printed, of a run or of all; how often."""
    found: Counter[int] = Counter()
    for entry in evidence.of(ColumnsPrinted):
        if run in (None, entry.run):
            found.update(range(entry.columns.first, entry.columns.end))
    return found


def reported_as(evidence: Evidence) -> dict[tuple[int, int], set[str]]:
    """Of which runs a column was reported printed that lies in a place: by column and place."""
    found: dict[tuple[int, int], set[str]] = defaultdict(set)
    for entry in evidence.of(ColumnsPrinted):
        for place, column in enumerate(range(entry.columns.first, entry.columns.end), entry.paper_position):
            found[column, place].add(entry.run)
    return dict(found)


def asked_again(evidence: Evidence) -> Counter[int]:
    """Columns that a rule asked to be laid once more; how often."""
    found: Counter[int] = Counter()
    for entry in evidence.of(GapSettled):
        found.update(range(entry.decision.again.first, entry.decision.again.end))
    return found


def laid_again(evidence: Evidence) -> Counter[int]:
    """Columns that a rule asked to be laid once more, whether anybody was told or the journal was lost before; how
    often."""
    told = [replace(entry, seq=0) for entry in evidence.of(GapSettled)]
    found = asked_again(evidence)
    for entry in evidence.settled_and_lost:
        if replace(entry, seq=0) not in told:
            found.update(range(entry.decision.again.first, entry.decision.again.end))
    return found


def named(evidence: Evidence, part: str, run: str | None = None) -> Counter[int]:
    """Columns that decisions name as ``unknown`` or ``skipped``, of a run or of all; how often. Of all, those are not
    left out that lie on the paper as columns of the run that theirs succeeds.

    Where an outage interrupts the making good of another, its decision takes over what that one said of columns that
    printing has not come to yet; but what is on the paper, or perhaps is, stays so if it is left out when it was to be
    printed once more. Where a segment is printed once more, what was left out in it is printed after all.
    """
    found: dict[str, Counter[int]] = {"unknown": Counter(), "skipped": Counter()}
    reached: dict[str, int] = {}
    laid, once_more, by_run = set[int](), set[int](), dict[str, set[int]]()
    for entry in evidence.entries:
        if isinstance(entry, ColumnsPrinted) and run in (None, entry.run):
            reached[entry.run] = max(reached.get(entry.run, 0), entry.columns.end)
            laid.update(range(entry.columns.first, entry.columns.end))
            by_run.setdefault(entry.run, set()).update(range(entry.columns.first, entry.columns.end))
        elif isinstance(entry, GapSettled) and run in (None, entry.run):
            lie = (laid & once_more) | (laid - by_run.get(entry.run, set()))
            _decide(entry, max(entry.gap.first, reached.get(entry.run, 0)), lie, found)
            once_more.update(range(entry.decision.again.first, entry.decision.again.end))
    return found[part]


def told_otherwise_before(evidence: Evidence) -> Counter[int]:
    """Columns that a board names as unknown of which it told what became before its journal lost that; how often. The
    machine remembers them, and until the board is enrolled again, it has nobody else's word."""
    known, found = set[int](), Counter[int]()
    if not evidence.newest_lost:
        return found
    for enrolled_at, told in zip(evidence.enrolled_at, evidence.told_by_each[1:], strict=True):
        for entry in told:
            if isinstance(entry, GapSettled) and (evidence.ahead or entry.at <= enrolled_at):
                unknown = entry.decision.unknown
                found.update(known.intersection(range(unknown.first, unknown.end)))
        for entry in told:
            if isinstance(entry, ColumnsPrinted):
                known.update(range(entry.columns.first, entry.columns.end))
            elif isinstance(entry, GapSettled):
                known.update(range(entry.decision.unknown.first, entry.decision.unknown.end))
                known.update(range(entry.decision.skipped.first, entry.decision.skipped.end))
    return found & named(evidence, "unknown")


def _decide(entry: GapSettled, first: int, laid: set[int], found: dict[str, Counter[int]]) -> None:
    decision, over = entry.decision, range(first, entry.gap.end)
    perhaps = {column for column in over if found["unknown"][column]}
    for column in over:  # a counter does not mind where there is none
        del found["unknown"][column], found["skipped"][column]
    for column in range(decision.again.first, decision.again.end):
        del found["skipped"][column]
    left_out = set(range(decision.skipped.first, decision.skipped.end)) - laid
    found["skipped"].update(left_out - perhaps)
    found["unknown"].update([*range(decision.unknown.first, decision.unknown.end), *(left_out & perhaps)])
