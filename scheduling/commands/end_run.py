"""Giving a run another end: now or at an instant, at the next burst, strip or turn; earlier or later than was ever
planned, and again, while nothing that is on paper is touched."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from datetime import datetime
from typing import Literal

import numpy as np

from machines.clock import utc
from machines.errors import InputError
from machines.model.profile import Profile
from machines.model.slots import boundaries
from machines.protocol.messages import SegmentWork
from scheduling.commands.changes import Change, ChangeWarning, Figures, change_of
from scheduling.commands.named_by_runs import no_longer_named
from scheduling.commands.plan_run import RunContext, require_from_now_on, require_sunrises
from scheduling.commands.preview_run import run_check
from scheduling.commands.run_changes import HEARS_WITHIN, gap_before_next, next_one, said_of
from scheduling.commands.run_figures import NO_STORES, NOTHING, Stores, figures_of, in_words, instead
from scheduling.commands.visits import visits_in_words
from scheduling.log.events.plans import RunEnded
from scheduling.log.models import Machine, PrintedStretch, Run, Segment
from scheduling.log.projecting.foreseen import foreseen
from scheduling.nodes.board_holds import BoardHolds, board_holds
from scheduling.planning.timeline import Stretch, Timeline
from scheduling.queries.names import require_in_use
from scheduling.queries.run_versions import run_profile, run_source
from scheduling.queries.runs import machine_model, machine_of, open_segments, recesses_of, runs_standing, timeline_on
from scheduling.queries.venue_context import place_of
from scheduling.supplies.remaining_work import RemainingColumns
from scheduling.venues.local_time_text import instant_at_machine, venue_time

Boundary = Literal["burst", "strip", "turn"]


@dataclass(frozen=True, eq=False)
class Ending:
    """A run, and what its end is worked out from.

    Attributes:
        least: the column that it cannot end before: what was told of lies, or is in hand.
    """

    run: Run
    machine: Machine
    profile: Profile
    timeline: Timeline
    held: BoardHolds
    least: int


def end_run(
    row: Run,
    now: datetime,
    version: int,
    *,
    at: datetime | None = None,
    boundary: Boundary = "burst",
    stores: Stores = NO_STORES,
) -> Change:
    """A run ends at the first boundary at or after an instant, and never before what is laid or in hand. It may end
    later than was planned, where its machine is free; and earlier or later again.

    Args:
        row: as it stands.
        now: this instant, UTC.
        version: of its stream, read before the row.
        at: when; None for now, which lengthens nothing.
        boundary: of what: what the machine lays in one go, what the knife cuts off, or what the cycle counts.
        stores: where files lie.

    Raises:
        InputError: it cannot end so.
    """
    require_from_now_on(at, now, row.machine_id)
    if row.withdrawn_at is not None:
        raise InputError("", "the run was withdrawn", "leave it as it is")
    if at is None and row.ends_at <= now:
        last = instant_at_machine(row.ends_at, row.machine_id)
        raise InputError("at", f"all of it was due by {last}", "give an instant to lengthen it to")
    ending = ending_of(row)
    end = column_at(ending, max(at or now, now), boundary)
    if end > row.longest_column and row.cycle == "temporal-hours":
        require_sunrises(ending.timeline, row.end_column, end)
    return end_at_column(ending, end, now, version, stores)


def ending_of(run: Run) -> Ending:
    """A run, with what its end is worked out from."""
    machine = machine_of(run)
    profile, held = run_profile(run, machine), board_holds(run, machine)
    laid = PrintedStretch.objects.filter(run_id=run.id).order_by("-end_column").first()
    told = [*run.ahead]
    for segment in Segment.objects.filter(run_id=run.id).exclude(outcomes=[]).order_by("-first_column")[:1]:
        told += segment.outcomes
    least = max([run.first_column + 1, *(end for _, end, _ in told), 0 if laid is None else laid.end_column])
    if held.next_column is not None and run.first_column <= held.next_column <= run.longest_column:
        least = max(least, held.next_column)
    return Ending(run, machine, profile, timeline_on(run, profile, place_of(machine.venue)), held, least)


def column_at(ending: Ending, at: datetime, boundary: Boundary) -> int:
    """Where a run would end: the first boundary at or after an instant, and never before what is laid or in hand.

    Raises:
        InputError: it has not begun by then, the sky is not known so far, or it is not cut into strips.
    """
    run, profile = ending.run, ending.profile
    try:
        wanted = ending.timeline.first_column_from(at.timestamp() - run.shift_s)
    except InputError as error:
        raise InputError("at", error.problem, error.remedy) from error
    if wanted <= run.first_column:
        raise InputError("at", "the run has not begun by then", "withdraw it, or give a later instant")
    # By a boundary alone it ends no later than it did, or than was ever planned.
    most = next((one for one in (run.end_column, run.longest_column) if wanted <= one), None)
    found = boundary_from(max(wanted, ending.least), boundary, run, profile)
    return found if most is None else min(found, most)


def boundary_from(column: int, boundary: Boundary, run: Run, profile: Profile) -> int:
    """The first boundary of a kind at or after a running column of a run.

    Raises:
        InputError: the run is not cut into strips.
    """
    turn = profile.columns_per_turn
    if boundary == "burst":
        return -(-column // profile.columns_per_burst) * profile.columns_per_burst
    if boundary == "turn":
        return -(-column // turn) * turn
    if not run.strips_per_turn:
        raise InputError("boundary", "the run is not cut into strips", "give burst or turn")
    return boundaries(column - 1, column + turn, turn, run.strips_per_turn)[0]


def end_at_column(ending: Ending, end: int, now: datetime, version: int, stores: Stores = NO_STORES) -> Change:
    """What giving a run another end comes to; nothing, where it ends there already.

    Raises:
        InputError: the machine is on another run by then, or was retired.
    """
    row, stream = ending.run, f"run/{ending.run.id}"
    event = None if end == row.end_column else ended_at(ending, end)
    after = foreseen(row, stream, event, now)
    figures = _figures(ending, after, stores)

    def recheck() -> None:
        if after.ends_at > row.ends_at:
            _require_free(row, after)

    recheck()
    return change_of(
        row,
        after,
        event,
        stream=stream,
        version=version,
        shown=said_of,
        in_words=_in_words(ending, after, figures),
        warnings=_warnings(ending, after, now, stores),
        stands_on=(f"machine/{row.machine_id}",),
        recheck=recheck,
        figures=lambda: figures,
    )


def _figures(ending: Ending, after: Run, stores: Stores) -> Figures:
    run = ending.run
    first, last = sorted((run.end_column, after.end_column))
    between = figures_of(run, range(first, last), ending.profile, stores.plates)
    return between if after.end_column >= run.end_column else instead(NOTHING, between)


def ended_at(ending: Ending, end: int) -> RunEnded:
    """By what a run ends at a column."""
    return RunEnded(
        end_column=end,
        ends_at=utc(float(ending.timeline.instants(np.array([end]))[0])),
        segments=tuple(_clipped_anew(ending, end)),
    )


def _require_free(run: Run, after: Run) -> None:
    require_in_use(Machine, "machine", run.machine_id)
    then = next_one(run)
    if then is not None and after.end_column > then.first_column:
        goes_on = f"run {then.id!r} goes on from column {then.first_column}"
        raise InputError("at", goes_on, "withdraw that first, or give an earlier instant")
    others = runs_standing(run.machine_id).filter(starts_at__gte=run.starts_at, starts_at__lt=after.ends_at)
    if other := others.exclude(id=run.id).order_by("starts_at").first():
        begins = instant_at_machine(other.starts_at, run.machine_id)
        raise InputError("at", f"the machine is on run {other.id!r} from {begins}", "end it before that begins")


def _clipped_anew(ending: Ending, end: int) -> Iterator[SegmentWork]:
    """Segments that this end clips, or an earlier one clipped and this one does not."""
    run, timeline = ending.run, ending.timeline
    edges = {end, run.end_column, *run.ends}
    rows = Segment.objects.filter(run_id=run.id, number__in={timeline.segment_of(edge - 1) for edge in edges})
    for row in rows.filter(first_column__lt=end).order_by("number"):
        until = min(timeline.stretch(row.number).end_column, end)
        if until != row.end_column:
            yield timeline.work(Stretch(row.number, row.first_column, until), row.plate)


def _in_words(ending: Ending, after: Run, figures: Figures) -> Iterator[str]:
    run, machine, venue = ending.run, ending.machine, ending.machine.venue
    first, last = sorted((run.end_column, after.end_column))
    begins, ends = sorted((run.ends_at, after.ends_at))
    is_less = after.end_column < run.end_column
    when = f"{venue_time(after.ends_at, venue)}, instead of {venue_time(run.ends_at, venue)}"
    yield f"{machine.name} prints run {run.id} until {when}, by the clock of {venue.zone}."
    segments = Segment.objects.filter(run_id=run.id, end_column__gt=first, first_column__lt=last).count()
    done = "withdrawn" if is_less else "added"
    yield f"{last - first} columns are {done}, {in_words(figures)}; {segments} segments of them were planned so far."
    what = f"{machine.name} {'is not on it any more' if is_less else 'is on it then'}."
    yield from visits_in_words(venue, begins, ends, what)
    if any(one.holds_at(after.ends_at) and one.starts_at < after.ends_at for one in recesses_of(run)):
        yield "It is held: what is missing up to its end is settled, and what comes after it begins, once it goes on."
    yield f"Subscribed calendars show its end on {venue_time(after.ends_at, venue)}, once they look again."
    yield ending.held.in_words


def _warnings(ending: Ending, after: Run, now: datetime, stores: Stores) -> Iterator[ChangeWarning]:
    run, held = ending.run, ending.held
    yield from no_longer_named(run, ending.machine, after.ends_at, run.ends_at)
    prints_on = held.until is not None and held.until > after.ends_at and after.ends_at - now < HEARS_WITHIN
    if after.end_column < run.end_column and prints_on:
        said = f"Its board prints by the old plan until it is heard again. {held.in_words}"
        yield ChangeWarning(kind="board-may-print", in_words=said)
    yield from gap_before_next(run, after.end_column)
    if ending.least > after.end_column:
        said = f"Columns up to {ending.least} lie on paper or are in hand: they stay, and count as beyond the end."
        yield ChangeWarning(kind="printed-beyond", in_words=said)
    if after.end_column > run.end_column:
        yield from _of_what_is_added(ending, after, now, stores)


def _of_what_is_added(ending: Ending, after: Run, now: datetime, stores: Stores) -> Iterator[ChangeWarning]:
    """What planning it so would be warned of, as far as that is about its end: among it the parts that end within."""
    run, machine = ending.run, ending.machine
    model = machine_model(machine.profile_id)
    context = RunContext(machine, run_source(run), machine.venue, model, ending.timeline)
    again = np.arange(run.end_column, min(run.planned_to_column, after.end_column))  # withdrawn, and standing again
    due = RemainingColumns.of_run(
        run, ending.profile, lambda _: ending.timeline, now, open_segments(run), venue=ending.machine.venue
    ).due
    check = run_check(after, context, now, stores.uploads, due=np.concatenate([due, again]), since=run.ends_at)
    for one in check.warnings:
        if one.field == "ends_at":
            yield one.as_warning()
