"""What must hold of what a machine has left: each check gives the complaints that it has, in words; none is good."""

from __future__ import annotations

from collections.abc import Callable, Sequence

from server.demo.judging.evidence import Evidence
from server.demo.judging.judged_knife import (
    by_hand_where_reported,
    cut_at_its_boundary,
    cut_only_while_armed,
    cut_where_reported,
    still_in_quiet_hours,
)
from server.demo.judging.judged_log import (
    entries_taken_once,
    every_column_once,
    every_run_is_there,
    half_printed_is_seen,
    reported_of_their_segments,
    settled_alike,
    stands_as_told,
    stood_until_resumed,
    stood_while_held,
    views_agree_with_log,
    words_are_used,
)
from server.demo.judging.judged_paper import (
    dots_are_the_plates,
    log_agrees_with_paper,
    nothing_early,
    nothing_twice,
    unknown_in_its_place,
)

Check = Callable[[Evidence], list[str]]

# What becomes of the columns that were planned; what lies on the paper; what the log has of the journal.
OF_COLUMNS: tuple[Check, ...] = (
    every_run_is_there,
    every_column_once,
    views_agree_with_log,
    reported_of_their_segments,
)
OF_PAPER: tuple[Check, ...] = (
    dots_are_the_plates,
    log_agrees_with_paper,
    unknown_in_its_place,
    by_hand_where_reported,
)
OF_DOUBLES: tuple[Check, ...] = (nothing_twice,)
OF_JOURNAL: tuple[Check, ...] = (entries_taken_once,)
# What was done about an outage or a person's hold; what the knife did; when it was printed.
OF_STOPS: tuple[Check, ...] = (
    settled_alike,
    words_are_used,
    half_printed_is_seen,
    stood_until_resumed,
    stood_while_held,
    stands_as_told,
)
OF_KNIFE: tuple[Check, ...] = (cut_only_while_armed, cut_where_reported, cut_at_its_boundary, still_in_quiet_hours)
OF_TIME: tuple[Check, ...] = (nothing_early,)

CHECKS = (*OF_DOUBLES, *OF_PAPER, *OF_COLUMNS, *OF_JOURNAL, *OF_STOPS, *OF_KNIFE, *OF_TIME)


def judge(evidence: Evidence, checks: Sequence[Check] = CHECKS) -> list[str]:
    """Every complaint of every check."""
    return [complaint for check in checks for complaint in check(evidence)]
