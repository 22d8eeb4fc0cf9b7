"""How an outage was settled, in words."""

from __future__ import annotations

from machines.operator.stop_causes import CAUSE_WORDS
from machines.recovery import Decision
from machines.serialization import structure
from scheduling.log.models import Outage
from server.console import formatting


def outage_in_words(row: Outage, is_passed_over: bool) -> str:
    """What became of what was missed, and by whose word.

    Args:
        row: the outage.
        is_passed_over: whether a person had decided otherwise.
    """
    decision, said = structure(row.decision, Decision), becomes_after(row)
    if decision.unknown:
        said += f"; {len(decision.unknown)} more perhaps on the paper"
    if decision.paper_mm:
        said += f"; {decision.paper_mm:.0f} mm of paper"
    if decision.ink_ml:
        said += f", {formatting.ink(decision.ink_ml)} of ink"
    if row.override is not None:
        said += "; a person decided so"
    elif is_passed_over:
        said += "; a person had decided otherwise, and was passed over"
    return said


def becomes_after(row: Outage) -> str:
    """What becomes of the columns that were missed, and why they were."""
    return f"{_becomes(structure(row.decision, Decision))} after {CAUSE_WORDS.get(row.cause, row.cause)}"


def _becomes(decision: Decision) -> str:
    later = f"later by {formatting.seconds(decision.shift_s)}, with all that follows"
    parts = (
        (len(decision.replayed) + len(decision.finished), "printed late"),
        (len(decision.again), "printed once more"),
        (len(decision.shifted), later),
        (len(decision.blank), "left blank"),
        (len(decision.skipped) - len(decision.blank), "left out"),
    )
    said = [f"{formatting.columns(number)} {what}" for number, what in parts if number]
    return ", ".join(said) or "no columns missed"
