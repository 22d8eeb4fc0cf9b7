"""What must hold after every scenario: each check gives the complaints that it has, in words; none is good."""

from __future__ import annotations

from collections.abc import Callable, Sequence

from tests.faults.evidence import Evidence
from tests.faults.judged_log import (
    cut_only_while_armed,
    entries_taken_once,
    every_column_once,
    every_run_is_there,
    half_printed_is_seen,
    settled_alike,
    stood_until_resumed,
    stood_while_held,
    views_agree_with_log,
    words_are_used,
)
from tests.faults.judged_paper import (
    by_hand_where_reported,
    cut_where_reported,
    dots_are_the_plates,
    log_agrees_with_paper,
    nothing_early,
    nothing_twice,
)

Check = Callable[[Evidence], list[str]]

CHECKS: tuple[Check, ...] = (
    nothing_twice,
    dots_are_the_plates,
    every_run_is_there,
    every_column_once,
    log_agrees_with_paper,
    views_agree_with_log,
    entries_taken_once,
    settled_alike,
    words_are_used,
    half_printed_is_seen,
    stood_until_resumed,
    stood_while_held,
    cut_only_while_armed,
    cut_where_reported,
    by_hand_where_reported,
    nothing_early,
)


def judge(evidence: Evidence, checks: Sequence[Check] | None = None) -> list[str]:
    """Every complaint of every check."""
    return [complaint for check in (CHECKS if checks is None else checks) for complaint in check(evidence)]
