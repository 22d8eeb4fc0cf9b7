"""Changing what was said of a run: all of it before it begins, and its end at any time."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, fields, replace
from datetime import datetime
from typing import Any

from machines.errors import InputError
from machines.model.profile import Profile
from scheduling.commands.changes import Change, ChangeWarning, Figures, Told, change_of
from scheduling.commands.checked import Checked, check_plan_run
from scheduling.commands.end_run import end_run
from scheduling.commands.named_by_runs import no_longer_named
from scheduling.commands.plan_run import PlanRun, require_begins_ahead
from scheduling.commands.preview_run import run_check
from scheduling.commands.run_changes import (
    HEARS_WITHIN,
    gap_before_next,
    has_been_told,
    next_one,
    said_of,
)
from scheduling.commands.run_figures import NO_STORES, Printed, Stores, in_words, printed_instead
from scheduling.commands.visits import visits_in_words
from scheduling.log.events.plans import RunChanged, RunMovedAway, RunPlanned
from scheduling.log.models import Machine, Run, Segment, Venue
from scheduling.log.projecting.foreseen import foreseen
from scheduling.log.projections.shifts import waited_before
from scheduling.log.store import stream_version
from scheduling.nodes.board_holds import board_holds
from scheduling.queries.run_versions import run_profile
from scheduling.queries.runs import as_planned, machine_of, run_policy
from scheduling.venues.local_time_text import venue_time

NEVER_CHANGED = ("id",)
SUCCEED = "let a run that takes over from it at a boundary be so: POST runs/{}/succeed"


@dataclass(frozen=True, eq=False)
class _Changing:
    """A run, and what it would be.

    Attributes:
        row, machine: as they stand.
        checked: the order of what it is to be, and what that comes to.
        after: the row as it would be.
    """

    row: Run
    machine: Machine
    checked: Checked
    after: Run

    @property
    def is_moved(self) -> bool:
        """Whether another machine is to print it."""
        return bool(self.row.machine_id != self.after.machine_id)


def as_ordered(row: Run) -> PlanRun:
    """The order by which a run would be what people have said of it."""
    return PlanRun(
        id=row.id,
        machine=row.machine_id,
        source=row.source_id,
        cycle=row.cycle,
        cycle_options=row.cycle_options,
        starts_at=row.starts_at,
        ends_at=row.ends_at - waited_before(row, row.end_column),
        policy=run_policy(row),
        segments_per_turn=row.segments_per_turn,
        strips_per_turn=row.strips_per_turn,
        nozzle_seed=row.nozzle_seed,
        only_while_open=row.only_while_open,
    )


def change_run(row: Run, command: PlanRun, now: datetime, version: int, *, stores: Stores = NO_STORES) -> Change:
    """A run that has not begun, and of which nothing was told, is anything that can be planned. The end of any run is
    another.

    Args:
        row: as it stands.
        command: what it is to be.
        now: this instant, UTC.
        version: of its stream, read before the row.
        stores: where files lie.

    Raises:
        InputError: it cannot be so, it was withdrawn, it has begun, or a column of it would be in two runs.
    """
    if row.withdrawn_at is not None:
        raise InputError("withdrawn_at", "it was withdrawn", "plan another in its place")
    others = [name for name in _differing(as_ordered(row), command) if name != "begins_in_the_past"]
    if others == ["ends_at"]:
        try:
            return end_run(row, now, version, at=command.ends_at, stores=stores)
        except InputError as error:
            raise InputError("ends_at" if error.field == "at" else error.field, error.problem, error.remedy) from None
    if not others:
        return change_of(row, row, None, stream=f"run/{row.id}", version=version, shown=said_of, in_words=())
    _require_not_begun(row, now, next(name for name in others if name != "ends_at"))
    return _changed(row, command, now, version, stores)


def _differing(before: PlanRun, after: PlanRun) -> list[str]:
    return [one.name for one in fields(PlanRun) if getattr(before, one.name) != getattr(after, one.name)]


def _require_not_begun(row: Run, now: datetime, field: str) -> None:
    """Asked twice of one row: its machine may tell of it meanwhile."""
    if row.starts_at <= now or has_been_told(row):
        raise InputError(field, "it has begun, and only its end can be another", SUCCEED.format(row.id))


def _changed(row: Run, command: PlanRun, now: datetime, version: int, stores: Stores) -> Change:
    stream, machine = f"run/{row.id}", machine_of(row)
    moved_version = stream_version(f"machine/{machine.id}")
    checked = check_plan_run(command)
    require_begins_ahead(command, now)
    checked.see(stores.uploads)
    assert isinstance(checked.event, RunPlanned) and checked.run is not None
    event = _event(row, checked.event, run_profile(row, machine), checked.run.profile)
    changing = _Changing(row, machine, checked, foreseen(row, stream, event, now))
    _require_between(changing)
    figures = _figures(changing, stores)

    def recheck() -> None:
        _require_not_begun(row, now, "")
        checked.recheck()
        _require_between(changing)

    moved = RunMovedAway(run=row.id, first_column=row.first_column, formed=changing.after.formed)
    also = (Told(stream=f"machine/{machine.id}", version=moved_version, event=moved),) if changing.is_moved else ()
    return change_of(
        row,
        changing.after,
        event,
        stream=stream,
        version=version,
        shown=said_of,
        in_words=_in_words(changing, figures),
        warnings=_warnings(changing, now, stores),
        stands_on=tuple(dict.fromkeys((*checked.stands_on, f"machine/{machine.id}"))),
        also=also,
        recheck=recheck,
        figures=lambda: figures,
    )


def _require_between(changing: _Changing) -> None:
    """See that no column comes to be in two runs: that one goes on counting where another ends. Asked twice: the others
    may be changed meanwhile."""
    row, after, otherwise = changing.row, changing.after, _counted_otherwise(changing)
    if (then := next_one(row)) is not None:
        remedy = f"withdraw or change run {then.id} first"
        if otherwise is not None:
            raise InputError(otherwise, f"run {then.id!r} goes on counting its columns", remedy)
        if after.end_column > then.first_column:  # so it is, too, where it would begin only there
            goes_on = f"run {then.id!r} goes on from column {then.first_column}"
            raise InputError("ends_at", goes_on, f"{remedy}, or give an earlier instant")
    before = None if otherwise is not None else Run.objects.filter(id=row.succeeds, withdrawn_at=None).first()
    if before is not None and after.first_column < before.end_column:
        problem = f"run {before.id!r}, which it follows, prints up to column {before.end_column}"
        raise InputError("starts_at", problem, "end that earlier first, or give a later instant")


def _counted_otherwise(changing: _Changing) -> str | None:
    """By which field its columns are counted otherwise than before; None where they are counted alike."""
    row, after, context = changing.row, changing.after, changing.checked.run
    assert context is not None
    for name in ("cycle", "cycle_options"):
        if getattr(row, name) != getattr(after, name):
            return name
    is_elsewhere = row.cycle == "temporal-hours" and changing.machine.venue_id != context.venue.id
    was = run_profile(row, changing.machine).columns_per_turn
    return "machine" if is_elsewhere or context.profile.columns_per_turn != was else None


def _event(row: Run, planned: RunPlanned, was: Profile, profile: Profile) -> RunChanged:
    """A run whose columns are counted as before begins, or ends, where it did, if it is to at the same instant; and
    goes on where the one before it ends, as long as it begins there."""
    said: dict[str, Any] = vars(planned)
    event = RunChanged(**{one.name: said[one.name] for one in fields(RunChanged) if one.name in said})
    before, counts = as_ordered(row), (row.cycle, row.cycle_options, was.columns_per_turn)
    is_tied = event.cycle == "temporal-hours" and event.machine != row.machine_id  # to a place
    if counts == (event.cycle, event.cycle_options, profile.columns_per_turn) and not is_tied:
        if event.starts_at == before.starts_at:
            event = replace(event, first_column=row.first_column)
        if event.ends_at == before.ends_at:
            event = replace(event, end_column=row.end_column)
    return replace(event, succeeds=row.succeeds if event.first_column == row.first_column else None)


def _figures(changing: _Changing, stores: Stores) -> Figures:
    row, after, context = changing.row, changing.after, changing.checked.run
    assert context is not None
    was = Printed(row, range(row.first_column, row.end_column), run_profile(row))
    will_be = Printed(after, range(after.first_column, after.end_column), context.profile)
    return printed_instead(will_be, was, stores.plates)


def _in_words(changing: _Changing, figures: Figures) -> Iterator[str]:
    row, after, machine = changing.row, changing.after, changing.machine
    context = changing.checked.run
    assert context is not None
    name, venue = context.machine.name, context.venue
    when, clock = _span(after, venue), f"by the clock of {venue.zone}"
    if changing.is_moved:
        yield f"{name} prints run {row.id} {when}, {clock}, instead of {machine.name}, whose board lets go of it."
    elif (row.starts_at, row.ends_at) != (after.starts_at, after.ends_at):
        yield f"{name} prints run {row.id} {when}, instead of {_span(row, venue)}, {clock}."
    else:
        yield f"{name} prints run {row.id} {when}, {clock}, as before."
    planned = Segment.objects.filter(run_id=row.id).count()
    if figures.columns:
        more = "more" if figures.columns > 0 else "fewer"
        yield f"That is {abs(figures.columns)} columns {more}, {in_words(figures)}."
    if planned:
        yield f"{planned} segments that were planned so far are withdrawn, and planned anew."
    for there, begins, ends, what in _apart(changing):
        yield from visits_in_words(there, begins, ends, what)
    yield "Subscribed calendars show its beginning and its end as they are then, once they look again."
    yield board_holds(row, machine).in_words


def _span(run: Run, venue: Venue) -> str:
    return f"from {venue_time(run.starts_at, venue)} to {venue_time(run.ends_at, venue)}"


def _apart(changing: _Changing) -> Iterator[tuple[Venue, datetime, datetime, str]]:
    """Where and when a machine is on it no more, and one is on it then."""
    row, after = changing.row, changing.after
    context = changing.checked.run
    assert context is not None
    machine, there = changing.machine, context.venue
    off, on = f"{machine.name} is not on it any more.", f"{context.machine.name} is on it then."
    if changing.is_moved or row.ends_at <= after.starts_at or after.ends_at <= row.starts_at:
        yield machine.venue, row.starts_at, row.ends_at, off
        yield there, after.starts_at, after.ends_at, on
        return
    for first, second, what in (
        (row.starts_at, after.starts_at, off),
        (after.starts_at, row.starts_at, on),
        (after.ends_at, row.ends_at, off),
        (row.ends_at, after.ends_at, on),
    ):
        if first < second:
            yield there, first, second, what


def _warnings(changing: _Changing, now: datetime, stores: Stores) -> Iterator[ChangeWarning]:
    row, machine = changing.row, changing.machine
    held = board_holds(row, machine)
    if held.until is not None and row.starts_at - now < HEARS_WITHIN:
        said = f"Its board may begin to print by the old plan before it hears of it. {held.in_words}"
        yield ChangeWarning(kind="board-may-print", in_words=said)
    is_other = _shown_by(row) != _shown_by(changing.after)
    for _, begins, ends, _ in _apart(changing) if not is_other else ((None, row.starts_at, row.ends_at, ""),):
        if row.starts_at <= begins < ends <= row.ends_at:
            yield from no_longer_named(row, machine, begins, ends)
    if row.succeeds is not None and changing.after.succeeds is None:
        said = f"It goes on no more where run {row.succeeds} ends."
        yield ChangeWarning(kind="follows-no-more", in_words=said)
    if row.end_column != changing.after.end_column:
        yield from gap_before_next(row, changing.after.end_column)
    before = set(_concerns_before(row, now, stores))
    for one in _concerns(row.id, changing.checked, now, stores):
        if one not in before:
            yield one


def _shown_by(run: Run) -> tuple[Any, ...]:
    """What decides when a place of the picture is under the head, and of which."""
    return run.machine_id, run.source_id, run.cycle, run.cycle_options, run.strips_per_turn


def _concerns(id: str, checked: Checked, now: datetime, stores: Stores) -> Iterator[ChangeWarning]:
    """What planning it so is warned of."""
    assert isinstance(checked.event, RunPlanned) and checked.run is not None
    run = as_planned(id, checked.event)
    for one in run_check(run, checked.run, now, stores.uploads).warnings:
        yield one.as_warning()


def _concerns_before(row: Run, now: datetime, stores: Stores) -> Iterator[ChangeWarning]:
    """What it was warned of as it stands, as far as it could be planned so now."""
    try:
        checked = check_plan_run(as_ordered(row))
    except InputError:
        return
    yield from _concerns(row.id, checked, now, stores)
