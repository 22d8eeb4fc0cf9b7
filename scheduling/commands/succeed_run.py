"""A run is followed by another from a boundary on, without a gap or an overlap: what it prints, or how, is changed
there, or another machine prints on.

Its columns go on counting, so that each column of each turn is in exactly one of the two:

    the run ......................| the run that follows ...................
                                  ^ the one's new end, the other's beginning

So another machine must have as many columns to a turn. Where a plain period has waited, the period of the run that
follows begins so much later: its columns are due just when they would have been.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, replace
from datetime import datetime, timedelta
from typing import Any, Literal

from machines.errors import InputError
from machines.protocol.recesses import Recess
from machines.recovery import Policy
from machines.serialization import format_instant, parse_instant
from scheduling.commands.changes import Change
from scheduling.commands.checked import Checked, check_plan_run
from scheduling.commands.end_run import (
    Ending,
    column_at,
    end_at_column,
    ended_at,
    ending_of,
)
from scheduling.commands.handlers import require_new
from scheduling.commands.plan_run import PlanRun, require_from_now_on
from scheduling.commands.run_figures import NO_STORES, Stores
from scheduling.commands.succession import Meeting, Succession, run_context
from scheduling.log.events.plans import RunPlanned
from scheduling.log.models import Run
from scheduling.log.projecting.foreseen import foreseen
from scheduling.log.projections.shifts import waited_before
from scheduling.nodes.told_before import planning
from scheduling.queries.runs import recesses_of, run_policy

JoinsAt = Literal["burst", "strip", "turn", "laid"]


@dataclass(frozen=True, kw_only=True)
class Successor:
    """A run that follows another: the same but for what is named here; None is as it was.

    Attributes:
        id: of the new run.
        machine: another one, of as many columns to a turn.
        ends_at: its end; that of the run that it follows, where it is left out.
    """

    id: str
    machine: str | None = None
    source: str | None = None
    policy: Policy | None = None
    segments_per_turn: int | None = None
    strips_per_turn: int | None = None
    ends_at: datetime | None = None


def succeed_run(
    row: Run,
    now: datetime,
    version: int,
    *,
    at: datetime | None = None,
    boundary: JoinsAt | None = None,
    stores: Stores = NO_STORES,
    **named: Any,
) -> Change:
    """A run is followed by another, from the first boundary at or after an instant on.

    Args:
        row: as it stands.
        now: this instant, UTC.
        version: of its stream, read before the row.
        at: when; None for now.
        boundary: of what: what the machine lays in one go, what the knife cuts off, or what the cycle counts; or what
            is ``laid`` or in hand, whenever that was. None for a turn, or, where another machine prints on from now,
            for what is laid: the one that it was on may be broken.
        stores: where files lie.
        named: of a `Successor`.

    Raises:
        InputError: it cannot be followed so; names the field.
        IdInUse: the new run's id is in use.
        ViewsSetAside: it cannot be checked.
    """
    if row.withdrawn_at is not None:
        raise InputError("", "the run was withdrawn", "plan another in its place")
    require_from_now_on(at, now, row.machine_id)
    successor = Successor(**named)
    is_moved = successor.machine not in (None, row.machine_id)
    meeting = _meeting(ending_of(row), max(at or now, now), boundary or ("laid" if is_moved and at is None else "turn"))
    command = _command(meeting, successor)
    require_new(command)
    checked = check_plan_run(command, after=row.id)
    _require_counts_on(meeting, checked)
    checked.see(stores.uploads)
    planned = _planned(meeting, successor, checked)
    event = replace(ended_at(meeting.ending, meeting.column), followed_by=command.id)
    told = Succession(meeting, event, planned, foreseen(row, f"run/{row.id}", event, now), checked, now, stores)
    return _change(told, command, version)


def _change(told: Succession, command: PlanRun, version: int) -> Change:
    """What it comes to: the one ends, and after it the other is planned."""
    meeting, checked = told.meeting, told.checked
    ended = end_at_column(meeting.ending, meeting.column, told.now, version)

    def recheck() -> None:
        ended.recheck()
        require_new(command)
        checked.recheck()
        _require_still_meet(meeting)

    return replace(
        ended,
        event=told.event,
        begins=lambda said_at: planning(command.id, told.planned, told.context.profile, said_at),
        stands_on=tuple(dict.fromkeys((*ended.stands_on, *checked.stands_on))),
        recheck=recheck,
        preview=told.preview(ended.preview.warnings),
    )


def _meeting(ending: Ending, at: datetime, boundary: JoinsAt) -> Meeting:
    run = ending.run
    if boundary != "laid":
        column = column_at(ending, at, boundary)
    elif not (run.printed + run.skipped + run.unknown or run.ahead or ending.held.next_column is not None):
        raise InputError("boundary", "nothing of the run is laid", "withdraw it, and plan another in its place")
    else:
        column = ending.least
    if column > run.end_column:
        raise InputError("at", f"the run ends at column {run.end_column}", "give an earlier instant")
    return Meeting(ending, column, waited_before(run, column + 1))


def _require_still_meet(meeting: Meeting) -> None:
    """See that no machine has told since of what the next run is to print, nor that the timeline waited."""
    ending = meeting.ending
    stands = Run.objects.get(id=ending.run.id)
    is_beyond = ending_of(stands).least > max(meeting.column, ending.least)
    if is_beyond or stands.shifts != ending.run.shifts:
        raise InputError("", "its machine has told more of it in this moment", "look at it, and ask again")


def _command(meeting: Meeting, successor: Successor) -> PlanRun:
    """By which the new run would be planned."""
    run, named = meeting.ending.run, successor
    return PlanRun(
        id=named.id,
        machine=run.machine_id if named.machine is None else named.machine,
        source=run.source_id if named.source is None else named.source,
        cycle=run.cycle,
        cycle_options=_options(run.cycle_options, meeting.waits),
        starts_at=meeting.at,
        ends_at=run.ends_at if named.ends_at is None else named.ends_at,
        policy=run_policy(run) if named.policy is None else named.policy,
        segments_per_turn=run.segments_per_turn if named.segments_per_turn is None else named.segments_per_turn,
        strips_per_turn=run.strips_per_turn if named.strips_per_turn is None else named.strips_per_turn,
        nozzle_seed=run.nozzle_seed,
        begins_in_the_past=True,
        only_while_open=run.only_while_open,
    )


def _options(options: dict[str, Any], waits: timedelta) -> dict[str, Any]:
    """Of a cycle that is so much later."""
    if not waits:
        return options
    return options | {"epoch": format_instant(parse_instant(options["epoch"], "epoch") + waits)}


def _require_counts_on(meeting: Meeting, checked: Checked) -> None:
    """See that the columns of both runs are counted alike."""
    before, context = meeting.ending, run_context(checked)
    if context.profile.columns_per_turn != before.profile.columns_per_turn:
        raise InputError(
            "machine",
            f"a turn of {context.machine.name} has {context.profile.columns_per_turn} columns, and one of"
            f" {before.machine.name} {before.profile.columns_per_turn}",
            "choose a machine of as many, or end the run, and plan another from there on",
        )
    if before.run.cycle == "temporal-hours" and context.timeline.cycle != before.timeline.cycle:
        raise InputError(
            "machine",
            f"at {context.venue.name} the Sun rises at other times",
            "choose a machine at the same venue, or end the run, and plan another from there on",
        )


def _planned(meeting: Meeting, successor: Successor, checked: Checked) -> RunPlanned:
    """The new run, exactly from the column on where the other ends; and to where that was to end, unless an end is
    named."""
    assert isinstance(checked.event, RunPlanned)
    run = meeting.ending.run
    end = run.end_column if successor.ends_at is None else checked.event.end_column
    if end <= meeting.column:
        raise InputError("ends_at", "no column is left for the new run", "give a later end, or follow it earlier")
    return replace(
        checked.event,
        first_column=meeting.column,
        end_column=end,
        succeeds=run.id,
        recesses=tuple(_recesses(meeting)) if checked.event.machine == run.machine_id else (),
    )


def _recesses(meeting: Meeting) -> Iterator[Recess]:
    """What is left of the recesses of the run that is followed: its machine stays held as was said."""
    for one in recesses_of(meeting.ending.run):
        if one.ends_at is None or one.ends_at > meeting.at:
            yield replace(one, starts_at=max(one.starts_at, meeting.at))
