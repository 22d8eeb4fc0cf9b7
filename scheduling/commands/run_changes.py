"""Runs as people change them: what is said of them, and what a board that has not heard of it yet may do."""

from __future__ import annotations

from collections.abc import Iterator
from datetime import datetime, timedelta
from typing import Any

from machines.errors import InputError
from machines.serialization import format_instant
from scheduling.commands.changes import Change, ChangeWarning, Figures, change_of
from scheduling.commands.named_by_runs import no_longer_named
from scheduling.commands.run_figures import NO_STORES, NOTHING, Stores, figures_of, in_words, instead
from scheduling.commands.visits import visits_in_words
from scheduling.log.events.plans import RunWithdrawn
from scheduling.log.models import Machine, Outage, PrintedStretch, Run, Segment, Strip
from scheduling.log.projecting.foreseen import foreseen
from scheduling.log.projections.shifts import waited_before
from scheduling.nodes.board_holds import board_holds
from scheduling.queries.history import shown_by
from scheduling.queries.run_versions import run_profile
from scheduling.queries.runs import machine_of
from scheduling.venues.local_time_text import venue_time

# A board asks again within so long, unless it is cut off.
HEARS_WITHIN = timedelta(hours=1)
_FIELDS = shown_by(
    "machine_id",
    "source_id",
    "source_version",
    "profile",
    "profile_version",
    "cycle",
    "cycle_options",
    "segments_per_turn",
    "strips_per_turn",
    "starts_at",
    "first_column",
    "end_column",
    "policy",
    "nozzle_seed",
    "withdrawn_at",
    "only_while_open",
    "succeeds",
    "followed_by",
)


def said_of(run: Run) -> dict[str, Any]:
    """What of a run people have said, as its history tells it: not what its machine has told since, and so its end as
    it was before its timeline waited."""
    holds = [{"starts_at": one["starts_at"], "ends_at": one["ends_at"]} for one in run.holds]
    return _FIELDS(run) | {"holds": holds, "ends_at": format_instant(run.ends_at - waited_before(run, run.end_column))}


def withdraw_run(row: Run, now: datetime, version: int, *, stores: Stores = NO_STORES) -> Change:
    """A run is not printed. It stays in the list, marked. Withdrawn already, nothing is changed.

    Args:
        row: as it stands.
        now: this instant, UTC.
        version: of its stream, read before the row.
        stores: where files lie.

    Raises:
        InputError: something of it was told already.
    """
    stream = f"run/{row.id}"
    event = RunWithdrawn() if row.withdrawn_at is None else None
    if event is not None:
        _require_nothing_told(row)
    machine = machine_of(row)
    columns = range(row.first_column, row.end_column)
    figures = instead(NOTHING, figures_of(row, columns, run_profile(row), stores.plates))
    return change_of(
        row,
        foreseen(row, stream, event, now),
        event,
        stream=stream,
        version=version,
        shown=said_of,
        in_words=_in_words(row, machine, figures),
        warnings=_warnings(row, machine, now),
        stands_on=(f"machine/{machine.id}",),
        recheck=lambda: _require_nothing_told(row),
        figures=lambda: figures,
    )


def next_one(run: Run) -> Run | None:
    """The first run that goes on counting its columns, perhaps on another machine; None where none does."""
    return Run.objects.filter(succeeds=run.id, withdrawn_at=None).order_by("first_column").first()


def gap_before_next(run: Run, end: int) -> Iterator[ChangeWarning]:
    """Whether the next run goes on only after a column that this one would print up to."""
    then = next_one(run)
    if then is not None and end < then.first_column:
        said = f"Run {then.id} goes on where it was to end: nothing is printed in between."
        yield ChangeWarning(kind="gap-before-next", in_words=said)


def has_been_told(run: Run) -> bool:
    """Whether its machine has told of its columns, by what is known in this moment."""
    is_told = any(told.objects.filter(run_id=run.id).exists() for told in (PrintedStretch, Strip, Outage))
    return is_told or bool(run.ahead) or run.printed + run.skipped + run.unknown > 0


def _require_nothing_told(run: Run) -> None:
    """Asked twice of one row: its machine may tell of it meanwhile."""
    if has_been_told(run):
        raise InputError("", "its machine has told of its columns already", "end it instead")


def _in_words(run: Run, machine: Machine, figures: Figures) -> Iterator[str]:
    venue = machine.venue
    span = f"from {venue_time(run.starts_at, venue)} to {venue_time(run.ends_at, venue)}"
    yield f"{machine.name} does not print run {run.id} {span}, by the clock of {venue.zone}."
    planned = Segment.objects.filter(run_id=run.id).count()
    columns = run.end_column - run.first_column
    yield f"{columns} columns are withdrawn, {in_words(figures)}; {planned} segments of them were planned so far."
    yield from visits_in_words(venue, run.starts_at, run.ends_at, f"{machine.name} is not on it.")
    if run.succeeds is not None:
        yield f"Run {run.succeeds} still ends where this one was to begin."
    yield "Subscribed calendars show its beginning and its end as cancelled, once they look again."
    yield board_holds(run, machine).in_words


def _warnings(run: Run, machine: Machine, now: datetime) -> Iterator[ChangeWarning]:
    venue = machine.venue
    yield from no_longer_named(run, machine, run.starts_at, run.ends_at)
    yield from gap_before_next(run, run.first_column)
    if run.starts_at <= now:
        said = f"It was to begin on {venue_time(run.starts_at, venue)}: its machine may have printed of it already."
        yield ChangeWarning(kind="has-begun", in_words=said)
        return
    held = board_holds(run, machine)
    if held.until is not None and run.starts_at - now < HEARS_WITHIN:
        said = f"Its board may begin to print before it hears of it. {held.in_words}"
        yield ChangeWarning(kind="board-may-print", in_words=said)
