"""Holding a run and letting it go on: spans in which nothing of it is laid, for a private view or a repair. What the
sky passes meanwhile is settled by the run's policy, as after an outage."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from datetime import datetime
from functools import partial
from typing import Any

import numpy as np

from machines.clock import utc
from machines.errors import InputError
from machines.model.profile import Profile
from machines.protocol.recesses import Recess
from scheduling.commands.changes import Change, ChangeWarning, change_of
from scheduling.commands.end_run import Boundary, boundary_from
from scheduling.commands.meanwhile import meanwhile
from scheduling.commands.named_by_runs import no_longer_named
from scheduling.commands.plan_run import require_from_now_on, require_within_reach
from scheduling.commands.run_changes import HEARS_WITHIN, said_of
from scheduling.commands.visits import visits_in_words
from scheduling.log.events.plans import RunContinued, RunHeld
from scheduling.log.models import Machine, Run, Venue
from scheduling.log.projecting.foreseen import foreseen
from scheduling.nodes.board_holds import BoardHolds, board_holds
from scheduling.planning.timeline import Timeline
from scheduling.queries.run_versions import run_profile
from scheduling.queries.runs import (
    has_columns_to_come,
    machine_of,
    recesses_of,
    run_instants,
    run_policy,
    runs_standing,
    timeline_on,
)
from scheduling.queries.venue_context import place_of
from scheduling.venues.local_time_text import instant_at_machine, venue_time

# Of one run, over ones among them: the oldest of those are forgotten first.
MOST_HOLDS = 100
# It may move at any moment, whatever is planned.
CAUTION = "Held is not safe to reach in: it goes on by itself. Whoever works at it pauses or parks it there first."


@dataclass(frozen=True, eq=False)
class _Held:
    """A run, and what a hold of it is worked out from."""

    run: Run
    machine: Machine
    profile: Profile
    timeline: Timeline
    held: BoardHolds

    @property
    def venue(self) -> Venue:
        """Where its machine stands."""
        venue: Venue = self.machine.venue
        return venue

    def local(self, at: datetime) -> str:
        """An instant by the venue's clock."""
        return venue_time(at, self.machine.venue)


def hold_run(
    row: Run,
    now: datetime,
    version: int,
    *,
    at: datetime | None = None,
    until: datetime | None = None,
    boundary: Boundary = "burst",
) -> Change:
    """Nothing of a run is laid from an instant on. What overlaps with another hold becomes one with it.

    Args:
        row: as it stands.
        now: this instant, UTC.
        version: of its stream, read before the row.
        at: from when on; None for now.
        until: when it goes on by itself; None where it does when people say so.
        boundary: of what it begins at the first from then on: what the machine lays in one go, what the knife cuts off,
            or what the cycle counts.

    Raises:
        InputError: it cannot be held so.
    """
    _require_under_way(row)
    require_from_now_on(at, now, row.machine_id)
    require_within_reach("until", until)
    of, told = _held_of(row), partial(instant_at_machine, machine=row.machine_id)
    starts_at = _begins(of, max(at or now, now), boundary)
    if starts_at > now and starts_at >= row.ends_at:
        raise InputError("at", f"the run ends at {told(row.ends_at)}", "give an earlier instant, or leave it")
    if until is not None and until <= starts_at:
        raise InputError("until", f"it would begin at {told(starts_at)}", "give a later instant, or leave it out")
    recesses = _with(recesses_of(row), Recess(starts_at=starts_at, ends_at=until), now)
    together = next(one for one in recesses if one.starts_at <= starts_at and one.holds_at(starts_at))
    if until is not None and together.ends_at is None:
        remedy = "let it go on at that instant instead"
        raise InputError("until", f"it is held from {told(together.starts_at)} on until people say so", remedy)
    return _change(of, RunHeld(recesses=recesses), now, version, _in_words(of, together))


def continue_run(row: Run, now: datetime, version: int, *, at: datetime | None = None) -> Change:
    """A run that is held goes on; a hold that has not begun by then is taken back. Of several it is about the one that
    holds it then, or else about the next. Where it is not held, nothing is changed.

    Args:
        row: as it stands.
        now: this instant, UTC.
        version: of its stream, read before the row.
        at: when; None for now.

    Raises:
        InputError: it cannot go on then.
    """
    _require_under_way(row)
    require_from_now_on(at, now, row.machine_id)
    when, of, recesses = max(at or now, now), _held_of(row), recesses_of(row)
    to_come = [one for one in recesses if one.ends_at is None or one.ends_at > now]
    not_over = [one for one in to_come if one.ends_at is None or one.ends_at > when]
    found = next(iter(not_over or to_come), None)
    rest = tuple(one for one in recesses if one != found)
    if found is None:
        return _change(of, None, now, version, ())
    if when <= found.starts_at:
        return _change(of, RunContinued(recesses=rest), now, version, _taken_back(of, found))
    if found.ends_at is not None and when >= found.ends_at:
        problem = f"it goes on by itself at {instant_at_machine(found.ends_at, row.machine_id)}"
        raise InputError("at", problem, "give an earlier instant, or hold it for longer")
    shorter = Recess(starts_at=found.starts_at, ends_at=when)
    event = RunContinued(recesses=tuple(sorted((*rest, shorter), key=_by_start)))
    return _change(of, event, now, version, _goes_on(of, shorter))


def _require_under_way(run: Run) -> None:
    if run.withdrawn_at is not None:
        raise InputError("", "the run was withdrawn", "leave it as it is")
    if not has_columns_to_come(run):
        raise InputError("", "all of the run is accounted for", "leave it as it is")


def _held_of(run: Run) -> _Held:
    machine = machine_of(run)
    profile = run_profile(run, machine)
    timeline = timeline_on(run, profile, place_of(machine.venue))
    return _Held(run, machine, profile, timeline, board_holds(run, machine))


def _begins(of: _Held, at: datetime, boundary: Boundary) -> datetime:
    """When a hold begins: what is laid at once is whole in any case."""
    if boundary == "burst":
        return at
    column = of.timeline.first_column_from(at.timestamp() - of.run.shift_s)
    found = boundary_from(max(column, of.run.first_column + 1), boundary, of.run, of.profile)
    return utc(float(run_instants(of.run, np.array([found]), of.timeline)[0]))


def _by_start(recess: Recess) -> datetime:
    return recess.starts_at


def _with(recesses: tuple[Recess, ...], added: Recess, now: datetime) -> tuple[Recess, ...]:
    """The recesses with one more; those that it overlaps and that are not over become one with it."""
    apart, starts, ends = [], [added.starts_at], [added.ends_at]
    for one in recesses:
        is_over = one.ends_at is not None and one.ends_at <= now
        if is_over or _lies_apart(one, added):
            apart.append(one)
        else:
            starts.append(one.starts_at)
            ends.append(one.ends_at)
    last = None if None in ends else max(end for end in ends if end is not None)
    together = sorted((*apart, Recess(starts_at=min(starts), ends_at=last)), key=_by_start)
    kept = tuple(together[-MOST_HOLDS:])
    if len(kept) < len(together) and (together[0].ends_at is None or together[0].ends_at > now):
        raise InputError("", f"it is to be held {MOST_HOLDS} times already", "take one back, or hold it for longer")
    return kept


def _lies_apart(one: Recess, other: Recess) -> bool:
    first, second = sorted((one, other), key=_by_start)
    return first.ends_at is not None and first.ends_at < second.starts_at


def _change(of: _Held, event: Any, now: datetime, version: int, in_words: Any) -> Change:
    run, stream = of.run, f"run/{of.run.id}"
    return change_of(
        run,
        foreseen(run, stream, event, now),
        event,
        stream=stream,
        version=version,
        shown=said_of,
        in_words=in_words,
        warnings=_warnings(of, event, now),
        stands_on=(f"machine/{of.machine.id}",),
    )


def _in_words(of: _Held, added: Recess) -> Iterator[str]:
    run, name, clock = of.run, of.machine.name, of.venue.zone
    until = "until people let it go on" if added.ends_at is None else f"until {of.local(added.ends_at)}"
    yield f"{name} prints nothing of run {run.id} from {of.local(added.starts_at)} {until}, by the clock of {clock}."
    if added.ends_at is not None:
        columns = _columns_in(of, added.starts_at, added.ends_at)
        yield f"{columns} columns are due in that time, {columns * of.profile.column_pitch_mm / 1000.0:.3f} m of paper."
    yield meanwhile(run_policy(run).rule_for("held"))
    ends_at = added.ends_at or max(run.ends_at, added.starts_at)
    yield from visits_in_words(of.venue, added.starts_at, ends_at, "nothing is printed.")
    then = runs_standing(run.machine_id).filter(starts_at__gt=run.starts_at, starts_at__lt=ends_at)
    if other := then.order_by("starts_at", "id").first():
        yield f"Run {other.id}, which is to begin on {of.local(other.starts_at)}, waits until this one goes on."
    elif added.ends_at is None:
        yield "What comes after it on this machine waits until people let it go on."
    yield "Subscribed calendars show it, once they look again."
    yield CAUTION
    yield of.held.in_words
    if of.held.until is not None and of.held.revision is None:
        yield f"The program of its board is older, and knows of no holds: it prints on. Pause it at {name}."


def _columns_in(of: _Held, starts_at: datetime, ends_at: datetime) -> int:
    """How many columns of the run belong under the head between two instants."""
    run, waited_s = of.run, of.run.shift_s
    span = (max(starts_at, run.starts_at), min(ends_at, run.ends_at))
    first, end = (of.timeline.first_column_from(at.timestamp() - waited_s) for at in span)
    return max(0, min(end, run.end_column) - max(first, run.first_column))


def _taken_back(of: _Held, recess: Recess) -> Iterator[str]:
    yield f"The hold from {of.local(recess.starts_at)} on is taken back: {of.machine.name} prints on as planned."
    yield of.held.in_words


def _goes_on(of: _Held, recess: Recess) -> Iterator[str]:
    assert recess.ends_at is not None, "it goes on at an instant"
    run, name = of.run, of.machine.name
    yield f"{name} goes on with run {run.id} on {of.local(recess.ends_at)}, by the clock of {of.venue.zone}."
    yield meanwhile(run_policy(run).rule_for("held"))
    yield "It then moves and prints by itself: nobody's hands may be in it."
    yield of.held.in_words


def _warnings(of: _Held, event: Any, now: datetime) -> Iterator[ChangeWarning]:
    if not isinstance(event, RunHeld):
        return
    for one in set(event.recesses).difference(recesses_of(of.run)):  # of others its board may know already
        yield from no_longer_named(of.run, of.machine, one.starts_at, one.ends_at or of.run.ends_at)
        if of.held.until is not None and of.held.until > one.starts_at and one.starts_at - now < HEARS_WITHIN:
            said = f"Its board prints on until it is heard again. {of.held.in_words}"
            yield ChangeWarning(kind="board-may-print", in_words=said)
