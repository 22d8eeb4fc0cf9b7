"""What must hold of the knife and of what a person does by hand, on the paper and in the log."""

from __future__ import annotations

from collections import Counter
from datetime import datetime, timedelta

import numpy as np

from machines.drivers.simulated.paper import NO_COLUMN
from machines.imaging.patterns import CUT_PATTERNS
from machines.protocol.journal_entries import (
    GapSettled,
    KnifeArmed,
    KnifeDisarmed,
    NodeStarted,
    OperatorActed,
    StripCut,
)
from scheduling.planning.quiet_hours import quiet_spans
from server.demo.judging.column_outcomes import laid_again, named, printed
from server.demo.judging.evidence import Evidence

A_MOMENT = timedelta(microseconds=1)


def cut_where_reported(evidence: Evidence) -> list[str]:
    """Each cut reported as made is in the ledger; another there was ordered and not seen done, or by a board that is
    lost; none is there twice."""
    found = Counter(evidence.paper.cuts["place"].tolist())
    reported = evidence.of(StripCut)
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


def cut_at_its_boundary(evidence: Evidence) -> list[str]:
    """Where a strip ends on the paper, as was told, columns from before its boundary lie on the one side and those from
    it on the other."""
    wrong = misplaced_cuts(evidence)
    return [f"strips that do not end at their boundaries: {wrong}"] if wrong else []


def misplaced_cuts(evidence: Evidence) -> list[int]:
    """Boundaries that lie elsewhere than where their strips end. What was laid once more may lie on both sides; of what
    is unknown, a board that took over from one that is lost does not know where it lies."""
    again, reported, unknown = laid_again(evidence), printed(evidence), named(evidence, "unknown")
    once = {column: places[0] for column, places in evidence.places.items() if reported[column] and not again[column]}
    columns, places = (np.array(numbers, dtype=np.int64) for numbers in (list(once), list(once.values())))
    return [
        entry.boundary
        for entry in evidence.of(StripCut)
        if not (evidence.boards_lost and unknown[entry.boundary])
        and np.any((columns >= entry.boundary) != (places >= entry.paper_position))
    ]


def _by_hand(evidence: Evidence) -> list[OperatorActed]:
    """What a person had fed, printed or cut by hand."""
    return [entry for entry in evidence.of(OperatorActed) if entry.paper_position is not None]


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
    if evidence.boards_lost:
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


def cut_only_while_armed(evidence: Evidence) -> list[str]:
    """The knife cuts only where a person armed it and nothing disarmed it since: what a board had armed, no other board
    knows, while one that is enrolled again knows its own. A strip without columns ends where the one before it did, and
    is cut with that one. A strip that is left uncut says that the knife was off, if it came there since it was armed: a
    journal that lost its newest tells only then of those that had passed before. Nor does one say so that passed with
    columns of which nobody knows whether they were laid: perhaps by another board, whose knife it was then."""
    armed, since, cut_at, complaints = False, -np.inf, None, []
    unknown_until = -np.inf
    parts = zip(evidence.of_another, evidence.told_by_each, strict=True)
    for entry in (one for is_another, told in parts for one in (is_another, *told)):
        if isinstance(entry, bool):
            armed = armed and not entry
        elif isinstance(entry, StripCut):
            if entry.made and not armed and entry.paper_position != cut_at:
                complaints.append(f"cut at place {entry.paper_position}, and nobody had armed the knife")
            held = entry.why is not None
            armed = armed and (entry.made or held or entry.paper_position < max(since, unknown_until))
            cut_at = entry.paper_position if entry.made else cut_at
        elif isinstance(entry, GapSettled) and entry.decision.unknown:
            unknown_until = entry.paper_position + len(entry.decision.unknown)
        elif isinstance(entry, KnifeArmed):
            armed, since = True, _next_laid(evidence, entry.at)
        elif isinstance(entry, KnifeDisarmed) or (isinstance(entry, NodeStarted) and entry.unplanned_stop):
            armed = False
    return complaints


def still_in_quiet_hours(evidence: Evidence) -> list[str]:
    """The knife moved by itself in no hours that were quiet by all that was ever said, from before a board began; and
    where it was held, it was to be quiet by some of it. What a person had cut by hand, and a strip without columns, is
    no stroke of its own."""
    said = evidence.quiet_said
    begun = min((entry.at for entry in evidence.of(NodeStarted)), default=None)
    from_before = bool(said) and begun is not None and said[0][0] <= begun
    by_hand, cut_at, complaints = _perhaps_cut_by_hand(evidence), None, []
    for entry in evidence.of(StripCut):
        quiet = [bool(quiet_spans(hours, evidence.clock, entry.at, entry.at + A_MOMENT)) for _, hours in said]
        stroke = entry.made and entry.paper_position not in by_hand and entry.paper_position != cut_at
        if stroke and from_before and all(quiet):
            complaints.append(f"cut at place {entry.paper_position}, in quiet hours")
        if entry.why == "quiet" and (entry.made or not any(quiet)):
            complaints.append(f"the knife was held at place {entry.paper_position}, and nobody had said to be quiet")
        cut_at = entry.paper_position if entry.made else cut_at
    return complaints


def _next_laid(evidence: Evidence, at: datetime) -> float:
    """The first place in which something was laid from an instant on, which is beyond all where nothing was. Where the
    server's clock was set meanwhile, it cannot be told from the paper, whose instants are true."""
    if evidence.ahead:
        return np.inf
    laid = evidence.paper.laid
    return float(min(laid["place"][laid["at"] >= at.timestamp()], default=np.inf))
