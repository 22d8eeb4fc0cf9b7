"""Machines: adding one, and then naming it otherwise, moving it, retiring it, and taking that back."""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from dataclasses import replace
from datetime import datetime
from typing import Any

from machines.errors import InputError
from machines.model.versions import differing_on_paper
from scheduling.commands.additions import AddMachine
from scheduling.commands.changes import Change, ChangeWarning, Preview, change_of
from scheduling.log.events.equipment import MachineAdded, MachineChanged, MachineRetired, MachineTakenBack
from scheduling.log.models import Machine, Notice, Profile, Run, Venue
from scheduling.log.projecting.foreseen import foreseen
from scheduling.nodes.board_holds import require_none_withdrawn
from scheduling.queries.calibration import machine_calibration
from scheduling.queries.history import differences, shown_by
from scheduling.queries.names import require_in_use
from scheduling.queries.run_versions import planned_by
from scheduling.queries.runs import (
    goes_by_hours,
    has_columns_to_come,
    has_paper,
    machine_profile,
    runs_standing,
    runs_to_come,
)
from scheduling.venues.local_time_text import venue_time

# What of a machine people say, as its history tells it.
SHOWN = shown_by("name", "venue_id", "profile_id", "calibration", "retired_at")
NEVER_CHANGED = ("id",)


def add_machine(command: AddMachine) -> MachineAdded:
    """Venue and profile must exist, and be in use."""
    require_in_use(Venue, "venue", command.venue)
    require_in_use(Profile, "profile", command.profile)
    return MachineAdded(name=command.name, venue=command.venue, profile=command.profile)


def preview_machine(command: AddMachine, now: datetime) -> Preview:
    """What adding a machine would do; nothing is written."""
    row = foreseen(Machine(id=command.id), f"machine/{command.id}", add_machine(command), now)
    told = f"{row.name} is added. It stands at {row.venue.name}, and is a {row.profile.name}."
    nothing_yet = "It prints nothing before a board is enrolled for it and a run is planned."
    return Preview(fields=differences({}, SHOWN(row)), in_words=(told, nothing_yet), warnings=())


def as_ordered(row: Machine) -> AddMachine:
    """The order by which a machine would be what it is, but for what was measured of it."""
    return AddMachine(id=row.id, name=row.name, venue=row.venue_id, profile=row.profile_id)


def change_machine(row: Machine, command: AddMachine, now: datetime, version: int) -> Change:
    """A machine is named otherwise, stands at another venue, or is of another model. It moves between runs. Runs go on
    by the model that they were planned with. One by which paper is measured otherwise it becomes only while it has
    neither runs nor paper.

    Args:
        row: as it stands.
        command: what it is to be.
        now: this instant, UTC.
        version: of its stream, read before the row.

    Raises:
        InputError: it was retired, is on a run, or cannot be so.
    """
    if row.retired_at is not None:
        raise InputError("retired_at", "it was retired", "take that back first")
    _require_movable(row, command, now)
    event = MachineChanged(name=command.name, venue=command.venue, profile=command.profile, runs_keep=True)
    after = foreseen(row, f"machine/{row.id}", event, now)
    change = _change(row, event, now, version, _in_words(row, after), _warnings(row, after, now))
    streams = (f"venue/{command.venue}", f"profile/{command.profile}")
    return replace(change, stands_on=streams, recheck=lambda: _require_movable(row, command, now))


def retire_machine(row: Machine, now: datetime, version: int) -> Change:
    """A machine is used no more: it stays in the API's list, marked, takes no run, raises no notice, and is shown
    nowhere else. Retired already, nothing is changed. See `change_machine`.

    Raises:
        InputError: a run of it is not over.
    """
    if row.retired_at is not None:
        return _change(row, None, now, version, (), ())
    _require_done(row, now)
    change = _change(row, MachineRetired(), now, version, _retired_in_words(row), ())
    return replace(change, recheck=lambda: _require_done(row, now))


def take_back_machine(row: Machine, now: datetime, version: int) -> Change:
    """A machine that was retired is used again, as it was. While it is used, nothing is changed. See `change_machine`.

    Raises:
        InputError: its venue was retired.
    """
    if row.retired_at is None:
        return _change(row, None, now, version, (), ())

    def recheck() -> None:
        require_in_use(Venue, "venue", row.venue_id)

    recheck()
    change = _change(row, MachineTakenBack(), now, version, (f"{row.name} is used again, as it was.",), ())
    return replace(change, recheck=recheck)


def _change(
    row: Machine, event: Any, now: datetime, version: int, words: Iterable[str], warnings: Iterable[ChangeWarning]
) -> Change:
    stream = f"machine/{row.id}"
    after = foreseen(row, stream, event, now)
    return change_of(row, after, event, stream=stream, version=version, shown=SHOWN, in_words=words, warnings=warnings)


def _require_movable(row: Machine, command: AddMachine, now: datetime) -> None:
    if command.profile != row.profile_id:
        require_in_use(Profile, "profile", command.profile)
        _require_same_paper(row, command.profile)
    if command.venue == row.venue_id:
        return
    there = require_in_use(Venue, "venue", command.venue)
    for run in _runs_not_over(row, now):
        if run.starts_at <= now:
            problem = f"run {run.id} is under way, until {venue_time(run.ends_at, row.venue)}"
            raise InputError("venue", problem, "move it when that is over")
        if run.cycle == "temporal-hours":
            problem = f"run {run.id} is to go by the temporal hours of {row.venue.name}"
            raise InputError("venue", problem, "withdraw that run first")
        if there.hours is None and goes_by_hours(run):
            problem = f"run {run.id} goes by when its venue is closed, and nobody knows when {there.name} is"
            raise InputError("venue", problem, f"set the hours of venue {there.id!r} first, or withdraw that run")


def _require_same_paper(row: Machine, profile: str) -> None:
    """That what it has and holds is measured by the numbers of another model, too."""
    other = machine_profile(profile=profile)
    numbers = differing_on_paper(machine_profile(profile=row.profile_id), other)
    if numbers and (has_paper(row) or runs_standing(row.id).exists()):
        problem = f"it has runs or paper, which are measured by other {' and '.join(numbers)}"
        raise InputError("profile", problem, "add a machine of the other profile, and retire this one")
    if numbers:
        require_none_withdrawn(row, "profile")
    if numbers and row.calibration is not None:
        raise InputError("profile", "it was measured as one of its profile", "set its calibration to {} first")
    machine_calibration(row).check(other)


def _require_done(row: Machine, now: datetime) -> None:
    for run in _runs_not_over(row, now):
        what = "is under way" if run.starts_at <= now else "is to come"
        problem = f"run {run.id} {what}, until {venue_time(run.ends_at, row.venue)}"
        raise InputError("retired_at", problem, "withdraw it, or wait until it is over")


def _runs_not_over(row: Machine, now: datetime) -> list[Run]:
    runs = runs_standing(row.id).order_by("starts_at", "id")
    return [run for run in runs if run.ends_at > now or has_columns_to_come(run)]


def _in_words(row: Machine, after: Machine) -> Iterator[str]:
    if row.name != after.name:
        yield f"{row.name} is called {after.name} from now on."
    if row.venue_id != after.venue_id:
        venue = Venue.objects.get(id=after.venue_id)
        yield f"It stands at {venue.name} from now on, instead of {row.venue.name}, and goes by the hours there."
        yield f"What it has printed is told at {venue.name}, too; so do subscribed calendars, once they look again."
    if row.profile_id != after.profile_id:
        yield f"It is a {after.profile_id} from now on, instead of a {row.profile_id}; its board hears so with work."
        for run in runs_to_come(row.id):
            id, number = planned_by(run, row)
            yield f"Run {run.id} goes on as it was planned, by version {number} of {id}."


def _warnings(row: Machine, after: Machine, now: datetime) -> Iterator[ChangeWarning]:
    if row.venue_id == after.venue_id:
        return
    for run in _runs_not_over(row, now):
        told = f"Run {run.id} is to come, on {venue_time(run.starts_at, row.venue)}, and is printed at the new venue."
        yield ChangeWarning(kind="run-moves-too", in_words=told)
    if runs_standing(row.id).filter(cycle="temporal-hours").exists():
        told = "It has printed by the temporal hours of its place: proofs of that paper count them by the new one."
        yield ChangeWarning(kind="hours-counted-anew", in_words=told)


def _retired_in_words(row: Machine) -> Iterator[str]:
    yield f"{row.name} is used no more: it takes no run, raises no notice, and pages do not show it."
    open_notices = Notice.objects.filter(machine_id=row.id, cleared_at=None).count()
    if open_notices:
        yield f"{open_notices} of its notices {'is' if open_notices == 1 else 'are'} over with that."
    if row.epoch:
        yield "Its board still comes in: revoke it where it is not to."
