"""What a node's entry can be: bounds on every number, from the run and the machine's profile.

    what is told                                              comes of it
    no machine that works right can have written it           refused: it is a mistake, or no word of a machine's
    it may be so, but does not fit the run as known here      kept as it is and set aside: a server that was put back
                                                              from an older copy may know another plan by that name

The checks of a kind are listed in `CHECKS`; each returns the first thing that it finds wrong.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator, Mapping, Sequence
from dataclasses import dataclass
from datetime import datetime, timedelta
from math import isfinite
from typing import Any

from django.db import DEFAULT_DB_ALIAS

from machines.errors import DayrollError, require
from machines.model.profile import Profile
from machines.model.slots import slot_start
from machines.protocol.journal_entries import (
    ColumnsPrinted,
    ConditionsChanged,
    Entry,
    FeedCorrected,
    GapSettled,
    OperatorActed,
    SetTimeCompared,
    SlipMeasured,
    StripCut,
    TrueAgain,
)
from machines.recovery import Columns
from machines.serialization import format_instant
from scheduling.log.models import Run, Segment
from scheduling.log.projections.shifts import CAN_WAIT
from scheduling.log.rows.row_sql import table
from scheduling.nodes.received_entries import EntryDoubt
from scheduling.queries.names import ID

# At a hundredth of a millimetre a column that is a hundred kilometres of paper.
MOST_PLACES = 10**10
# A machine that lay still for years and then prints once more what it did not finish.
MOST_MISS_S = 10 * 366 * 86400.0
# RFC 8011 names some seventy conditions of a printer; nobody has all of them at once.
MOST_KEYWORDS = 64
LONGEST_KEYWORD = 100
LONGEST_REASON = 2000
# A node tells a gap's closed hours for the month ahead that it can hold.
MOST_CLOSED = 1000
# A node that does not know the time as well as it says, and a message that took long.
SLACK = timedelta(seconds=60)
# No clock that anybody looked at is wrong by more.
FARTHEST_AHEAD = timedelta(days=7)
# Before this nothing was printed by any machine of this kind.
EARLIEST_YEAR = 2000


@dataclass(frozen=True, kw_only=True)
class EntryContext:
    """What is known here of the machine that tells an entry, and of the run that it tells of.

    Attributes:
        now: this instant, by the server.
        may_be_ahead: by how much the node's clock may be ahead of it.
        profile: of the machine.
        run: None where the entry is about none, or about one that is not known here.
        segment_columns: the columns of the segment that it names; None where it names none, or it is not known here.
    """

    now: datetime
    may_be_ahead: timedelta
    profile: Profile
    run: Run | None = None
    segment_columns: Columns | None = None


class DoesNotFit(DayrollError):
    """An entry may be true, but not of what is known here."""

    def __init__(self, field: str, problem: str) -> None:
        super().__init__(f"{field}: {problem}")
        self.doubt = EntryDoubt(field=field, problem=problem)


def require_possible(entry: Entry, context: EntryContext) -> None:
    """Hold an entry against what it can be.

    Raises:
        InputError: no machine that works right can have written it; names the field.
        DoesNotFit: it may be so, but not of the run as it is known here.
    """
    for check in CHECKS.get(type(entry), ()):
        check(entry, context)


def timely(entry: Entry, context: EntryContext) -> EntryDoubt | None:
    """Why the instant of an entry cannot be: it has not come yet, or is from before there were such machines. A person
    may have set the board's time so, and what lies on the paper lies there all the same."""
    if entry.at > context.now + context.may_be_ahead:
        return EntryDoubt(
            field="at", problem=f"{entry.at:%Y-%m-%d %H:%M:%S} UTC has not come yet; taken as when it was told"
        )
    if entry.at.year < EARLIEST_YEAR:
        return EntryDoubt(field="at", problem=f"the year {entry.at.year} is long past; taken as when it was told")
    return None


def columns_of_segments(run: Run, numbers: Sequence[int], profile: Profile) -> dict[int, Columns]:
    """The columns of segments of a run that are planned here, by their numbers, as a board may hold them that has not
    heard of an end."""
    if not numbers:
        return {}
    places = ", ".join(["%s"] * len(numbers))
    found: list[Segment] = table(Segment, DEFAULT_DB_ALIAS).where(
        f"run_id = %s AND number IN ({places})", run.id, *numbers
    )
    return {one.number: Columns(first=one.first_column, end=_whole_end(run, one, profile)) for one in found}


def _whole_end(run: Run, segment: Segment, profile: Profile) -> int:
    whole = slot_start(segment.number + 1, profile.columns_per_turn, run.segments_per_turn)
    return min(whole, run.longest_column)


# What the checks are made of.


def _between(field: str, value: float, least: float, most: float) -> None:
    require(isfinite(value) and least <= value <= most, field, f"{value}", f"give {least} to {most}")


def _fits(holds: bool, field: str, problem: str) -> None:
    if not holds:
        raise DoesNotFit(field, problem)


def _in_run(field: str, columns: Columns, run: Run | None) -> None:
    if run is not None:
        longest = run.longest_column  # a board that had not heard of an end has printed on
        problem = f"{columns.first} to {columns.end} of a run of {run.first_column} to {longest}"
        _fits(run.first_column <= columns.first and columns.end <= longest, field, problem)


def _column_in_run(field: str, column: int, run: Run | None) -> None:
    _in_run(field, Columns(first=column, end=column), run)


# The checks.


def _run_named(entry: Any, _: EntryContext) -> None:
    require(ID.fullmatch(entry.run) is not None, "run", f"{entry.run[:60]!r} is no id of a run", "name a run")


def _placed(entry: Any, _: EntryContext) -> None:
    _between("paper_position", entry.paper_position, 0, MOST_PLACES)


def _columns_printed(entry: ColumnsPrinted, context: EntryContext) -> None:
    require(bool(entry.columns), "columns", "none", "tell of columns that lie on the paper")
    require(entry.columns_done >= 0, "columns_done", f"{entry.columns_done}", "give 0 or more")
    _between("worst_miss_s", entry.worst_miss_s, -MOST_MISS_S, MOST_MISS_S)
    _in_run("columns", entry.columns, context.run)
    if (segment := context.segment_columns) is not None:
        problem = f"{entry.columns.first} to {entry.columns.end} of a segment of {segment.first} to {segment.end}"
        _fits(segment.first <= entry.columns.first and entry.columns.end <= segment.end, "columns", problem)
        _fits(entry.columns_done <= len(segment), "columns_done", f"{entry.columns_done} of {len(segment)}")


def _gap_settled(entry: GapSettled, context: EntryContext) -> None:
    gap, decision = entry.gap, entry.decision
    require(len(decision.reason) <= LONGEST_REASON, "decision.reason", "too long", f"give {LONGEST_REASON} characters")
    require(len(gap.closed) <= MOST_CLOSED, "gap.closed", f"{len(gap.closed)} spans", f"give at most {MOST_CLOSED}")
    require(
        decision.hours_until_true >= 0, "decision.hours_until_true", f"{decision.hours_until_true}", "give 0 or more"
    )
    for name, value in (("paper_mm", decision.paper_mm), ("ink_ml", decision.ink_ml)):
        require(value is None or value >= 0, f"decision.{name}", f"{value}", "give 0 or more")
    dots = gap.dots_per_column
    require(dots is None or dots >= 0, "gap.dots_per_column", f"{dots}", "give 0 or more")
    _in_run("gap", Columns(first=gap.first, end=gap.end), context.run)


def _divided(entry: GapSettled, _: EntryContext) -> None:
    """Every column of the gap has one fate, and no other column has any but those that are laid once more."""
    gap, decision = entry.gap, entry.decision
    unseen = Columns(first=gap.first, end=gap.unknown_end)
    whole = decision.unknown == unseen or not (decision.unknown or unseen)
    require(whole, "decision.unknown", "not the columns that nobody saw laid", "give those of the gap")
    parts = sorted(_missing_parts(entry), key=lambda part: part[1].first)
    reached = gap.unknown_end
    for name, columns in parts:
        problem = f"{columns.first} to {columns.end} where {reached} is next"
        require(columns.first == reached, f"decision.{name}", problem, "give each missing column one fate")
        reached = columns.end
    require(reached == gap.end, "decision", f"reaches to {reached} of {gap.end}", "give each missing column one fate")
    require(decision.true_again >= gap.end, "decision.true_again", f"{decision.true_again}", f"give {gap.end} or more")
    if again := decision.again:
        holding = gap.segment is not None and gap.segment.first == again.first and again.end == gap.unknown_end
        require(holding, "decision.again", "not of the half-printed segment", "give what was laid of that, or none")


def _missing_parts(entry: GapSettled) -> Iterator[tuple[str, Columns]]:
    for name in ("finished", "skipped", "replayed", "shifted"):
        if columns := getattr(entry.decision, name):
            yield name, columns


def _waits(entry: GapSettled, context: EntryContext) -> None:
    """The timeline waits only by a rule that says so, and no longer than the machine stood still."""
    gap, decision, run = entry.gap, entry.decision, context.run
    shift_s, field = decision.shift_s, "decision.shift_s"
    require(shift_s >= 0, field, f"{shift_s} s", "give 0 or more")
    if not shift_s:
        return
    says_so = gap.rule(entry.policy).kind == "shift" and decision.action == "shift" and gap.missing_since is not None
    require(says_so, field, f"{shift_s} s by no rule that waits", "give 0")
    if gap.missing_since is None or run is None:
        return
    column_s = run.mean_turn_s / context.profile.columns_per_turn
    laid_again_s = (len(decision.again) + context.profile.columns_per_burst + 1) * column_s
    longest_s = max(0.0, (gap.noticed_at - gap.missing_since).total_seconds()) + laid_again_s + SLACK.total_seconds()
    require(shift_s <= longest_s, field, f"{shift_s} s", f"give at most {longest_s:.1f} s, as long as it stood still")
    _fits(run.cycle == CAN_WAIT, field, f"a run by the {run.cycle} does not wait")
    waited_s = (context.now + context.may_be_ahead - run.starts_at).total_seconds() + laid_again_s
    _fits(run.shift_s + shift_s <= waited_s, field, f"{run.shift_s + shift_s} s of {waited_s} s since it began")


def _noticed(entry: GapSettled, context: EntryContext) -> None:
    """It was noticed before it was settled; by a clock that may have been set wrong, but not for ever."""
    noticed_at = entry.gap.noticed_at
    _fits(noticed_at <= entry.at + SLACK, "gap.noticed_at", f"{format_instant(noticed_at)}, after it was settled")
    _fits(noticed_at <= context.now + FARTHEST_AHEAD, "gap.noticed_at", f"{format_instant(noticed_at)} is far ahead")


def _boundary(entry: StripCut, context: EntryContext) -> None:
    _column_in_run("boundary", entry.boundary, context.run)


def _column(entry: TrueAgain | SlipMeasured | FeedCorrected, context: EntryContext) -> None:
    _column_in_run("column", entry.column, context.run)


def _slipped(entry: SlipMeasured | FeedCorrected, context: EntryContext) -> None:
    """An encoder that is stuck differs by all the paper that passes it, until the roll is changed."""
    roll_mm = context.profile.media.roll_m * 1000.0
    _fits(abs(entry.slip_mm) <= roll_mm, "slip_mm", f"{entry.slip_mm} mm of a roll of {roll_mm:g} mm")
    if isinstance(entry, FeedCorrected):
        _fits(abs(entry.corrected_mm) <= roll_mm, "corrected_mm", f"{entry.corrected_mm} mm of {roll_mm:g} mm")


def _keywords(entry: ConditionsChanged, _: EntryContext) -> None:
    _fits(len(entry.keywords) <= MOST_KEYWORDS, "keywords", f"{len(entry.keywords)} of them")
    for index, keyword in enumerate(entry.keywords):
        _fits(1 <= len(keyword) <= LONGEST_KEYWORD, f"keywords[{index}]", f"{len(keyword)} characters")


def _acted(entry: OperatorActed, context: EntryContext) -> None:
    """Of paper that did not reach the knife yet, what is cut off is ahead of the first place; how far it is from the
    head was measured on the machine, and may be other than the profile says."""
    ahead = 2 * context.profile.knife_columns if entry.action == "cut" and context.profile.knife else 0
    has_pattern = entry.pattern is not None
    problem = f"{entry.action} with {'a' if has_pattern else 'no'} pattern"
    require(has_pattern == (entry.action == "test-pattern"), "pattern", problem, "name one of a test-pattern, only")
    if entry.paper_position is not None:
        _between("paper_position", entry.paper_position, -ahead, MOST_PLACES)
    _between("paper_columns", entry.paper_columns, 0, MOST_PLACES)
    require(entry.error_s is None or entry.error_s >= 0, "error_s", f"{entry.error_s} s", "give 0 or more")


def _compared(entry: SetTimeCompared, _: EntryContext) -> None:
    require(entry.error_s >= 0, "error_s", f"{entry.error_s} s", "give 0 or more")


Check = Callable[[Any, EntryContext], None]
CHECKS: Mapping[type[Any], tuple[Check, ...]] = {
    ColumnsPrinted: (_run_named, _placed, _columns_printed),
    GapSettled: (_run_named, _placed, _divided, _waits, _gap_settled, _noticed),
    TrueAgain: (_run_named, _column),
    StripCut: (_run_named, _placed, _boundary),
    ConditionsChanged: (_keywords,),
    SlipMeasured: (_run_named, _column, _slipped),
    FeedCorrected: (_run_named, _column, _slipped),
    OperatorActed: (_acted,),
    SetTimeCompared: (_compared,),
}
