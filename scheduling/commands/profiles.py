"""Profiles: adding one, and then naming it otherwise, giving it another version, retiring it, and taking that back."""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from dataclasses import replace
from datetime import datetime
from typing import Any

from machines.errors import InputError
from machines.model.calibration import Calibration
from machines.model.profile import Profile as MachineProfile
from machines.model.versions import OF_MACHINE, differing, differing_on_paper
from machines.serialization import structure
from scheduling.commands.additions import AddProfile
from scheduling.commands.changes import Change, Preview, change_of
from scheduling.log.events.equipment import ProfileAdded, ProfileChanged, ProfileRetired, ProfileTakenBack
from scheduling.log.models import Machine, Profile, Run
from scheduling.log.projecting.foreseen import foreseen
from scheduling.nodes.board_holds import require_none_withdrawn
from scheduling.queries.history import differences, shown_by
from scheduling.queries.run_versions import planned_by
from scheduling.queries.runs import has_columns_to_come, has_paper, runs_standing, runs_to_come

NEVER_CHANGED = ("id",)
_FIELDS = shown_by("data", "version", "retired_at")


def said_of(row: Profile) -> dict[str, Any]:
    """What of a profile a change tells of, and its history."""
    fields = _FIELDS(row)
    return {"profile": fields.pop("data"), **fields}


def add_profile(command: AddProfile) -> ProfileAdded:
    """A profile is what was said of it."""
    return ProfileAdded(profile=command.profile)


def preview_profile(command: AddProfile, now: datetime) -> Preview:
    """What adding a profile would do; nothing is written."""
    row = foreseen(Profile(id=command.id), f"profile/{command.id}", add_profile(command), now)
    told = f"{row.name} is added: machines can be of it."
    return Preview(fields=differences({}, said_of(row)), in_words=(told,), warnings=())


def as_ordered(row: Profile) -> AddProfile:
    """The order by which a profile would be what it is."""
    return AddProfile(id=row.id, profile=structure(row.data, MachineProfile))


def change_profile(row: Profile, command: AddProfile, now: datetime, version: int) -> Change:
    """A profile is named otherwise; or its numbers are others from now on: a version of its own. Runs go on with the
    version that they were planned with, and of a machine holds at once what is of the machine, see
    `machines.model.versions`. What paper is measured by changes only while no machine of it has a run or paper.

    Args:
        row: as it stands.
        command: what it is to be.
        now: this instant, UTC.
        version: of its stream, read before the row.

    Raises:
        InputError: it was retired, or something is measured by what is to change.
    """
    if row.retired_at is not None:
        raise InputError("retired_at", "it was retired", "take that back first")

    def recheck() -> None:
        _require_possible(row, command.profile)

    recheck()
    is_other = replace(command.profile, name=row.name) != as_ordered(row).profile
    event = ProfileChanged(profile=command.profile, version=row.version + is_other)
    return replace(_change(row, event, now, version, _in_words(row, event)), recheck=recheck)


def retire_profile(row: Profile, now: datetime, version: int) -> Change:
    """No new machine is of a profile: it stays in the API's list, marked. Machines that are of it go on. Retired
    already, nothing is changed. See `change_profile`."""
    event = None if row.retired_at else ProfileRetired()
    return _change(row, event, now, version, (f"No new machine is a {row.name}; those that are go on.",))


def take_back_profile(row: Profile, now: datetime, version: int) -> Change:
    """New machines can be of a profile that was retired. While they can, nothing is changed. See `change_profile`."""
    event = ProfileTakenBack() if row.retired_at else None
    return _change(row, event, now, version, (f"New machines can be a {row.name} again.",))


def _change(row: Profile, event: Any, now: datetime, version: int, words: Iterable[str]) -> Change:
    stream = f"profile/{row.id}"
    after = foreseen(row, stream, event, now)
    return change_of(row, after, event, stream=stream, version=version, shown=said_of, in_words=words)


def _require_possible(row: Profile, profile: MachineProfile) -> None:
    was = as_ordered(row).profile
    if replace(profile, name=was.name) == was:
        return
    for machine in Machine.objects.filter(profile_id=row.id).select_related("venue").order_by("id"):
        if numbers := differing_on_paper(was, profile):
            _require_measures_nothing(machine, numbers)
        if machine.calibration is not None:
            structure(machine.calibration, Calibration).check(profile)


def _require_measures_nothing(machine: Machine, numbers: tuple[str, ...]) -> None:
    runs = [run.id for run in runs_standing(machine.id).order_by("starts_at", "id")]
    if runs or has_paper(machine):
        what = f"the runs {', '.join(runs)} of" if runs else "the paper of"
        problem = f"{what} {machine.name} ({machine.id}) are measured by {' and '.join(numbers)}"
        remedy = "add another profile, and machines of it; what no paper is measured by can change"
        raise InputError("profile", problem, remedy)
    require_none_withdrawn(machine, "profile")


def _in_words(row: Profile, event: ProfileChanged) -> Iterator[str]:
    was = as_ordered(row).profile
    if row.name != event.profile.name:
        yield f"{row.name} is called {event.profile.name} from now on."
    if row.version == event.version:
        return
    yield f"This is version {event.version} of {event.profile.name}: new runs are printed by it."
    at_once = differing(OF_MACHINE[1:], was, event.profile)
    for machine in Machine.objects.filter(profile_id=row.id).order_by("id"):
        if at_once:
            what = " and ".join(at_once)
            yield f"{machine.name} goes by version {event.version} at once, also on a run, for {what}."
        for run in runs_to_come(machine.id):
            id, number = planned_by(run, machine)
            yield f"Run {run.id} of {machine.name} goes on with {_version(id, number, row)}, until it is over."
    for run in _runs_of_others(row):
        yield f"Run {run.id} of {run.machine.name} goes on with version {run.profile_version}, until it is over."


def _version(id: str, number: int, row: Profile) -> str:
    return f"version {number}" if id == row.id else f"version {number} of {id}"


def _runs_of_others(row: Profile) -> Iterator[Run]:
    """Runs by this model on machines that are of another by now."""
    runs = Run.objects.filter(profile=row.id, withdrawn_at=None).exclude(machine__profile=row.id)
    yield from filter(has_columns_to_come, runs.select_related("machine").order_by("starts_at", "id"))
