"""Profiles: adding one, and then naming it otherwise, retiring it, and taking that back."""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from dataclasses import replace
from datetime import datetime
from typing import Any

from machines.errors import InputError
from machines.model.calibration import Calibration
from machines.model.profile import Profile as MachineProfile
from machines.serialization import structure
from scheduling.commands.additions import AddProfile
from scheduling.commands.changes import Change, change_of
from scheduling.log.events.studio import ProfileAdded, ProfileChanged, ProfileRetired, ProfileTakenBack
from scheduling.log.models import Machine, PrintedStretch, Profile
from scheduling.log.projecting.foreseen import foreseen
from scheduling.nodes.board_holds import require_none_withdrawn
from scheduling.queries.history import shown_by
from scheduling.queries.runs import runs_standing

NEVER_CHANGED = ("id",)
_FIELDS = shown_by("data", "retired_at")


def said_of(row: Profile) -> dict[str, Any]:
    """What of a profile a change tells of, and its history."""
    fields = _FIELDS(row)
    return {"profile": fields.pop("data"), **fields}


def add_profile(command: AddProfile) -> ProfileAdded:
    """A profile is what was said of it."""
    return ProfileAdded(profile=command.profile)


def as_ordered(row: Profile) -> AddProfile:
    """The order by which a profile would be what it is."""
    return AddProfile(id=row.id, profile=structure(row.data, MachineProfile))


def change_profile(row: Profile, command: AddProfile, now: datetime, version: int) -> Change:
    """A profile is named otherwise; or its numbers are put right, while no machine of it has a run or paper, which are
    measured by them.

    Args:
        row: as it stands.
        command: what it is to be.
        now: this instant, UTC.
        version: of its stream, read before the row.

    Raises:
        InputError: it was retired, or something is measured by it.
    """
    if row.retired_at is not None:
        raise InputError("retired_at", "it was retired", "take that back first")

    def recheck() -> None:
        _require_measures_nothing(row, command.profile)

    recheck()
    event = ProfileChanged(profile=command.profile)
    return replace(_change(row, event, now, version, _in_words(row, command.profile)), recheck=recheck)


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


def _require_measures_nothing(row: Profile, profile: MachineProfile) -> None:
    was = as_ordered(row).profile
    if replace(profile, name=was.name) == was:
        return
    for machine in Machine.objects.filter(profile_id=row.id).select_related("venue").order_by("id"):
        runs = [run.id for run in runs_standing(machine.id).order_by("starts_at", "id")]
        has_paper = machine.paper_position > 0 or PrintedStretch.objects.filter(machine_id=machine.id).exists()
        if runs or has_paper:
            what = f"the runs {', '.join(runs)} of" if runs else "the paper of"
            problem = f"{what} {machine.name} ({machine.id}) are measured by it"
            raise InputError("profile", problem, "add another profile, and machines of it; only the name can change")
        require_none_withdrawn(machine, "profile")
        if machine.calibration is not None:
            structure(machine.calibration, Calibration).check(profile)


def _in_words(row: Profile, profile: MachineProfile) -> Iterator[str]:
    if row.name != profile.name:
        yield f"{row.name} is called {profile.name} from now on."
    machines = list(Machine.objects.filter(profile_id=row.id).order_by("id").values_list("name", flat=True))
    if machines and replace(profile, name=row.name) != as_ordered(row).profile:
        yield f"So {' and '.join(machines)} {'is' if len(machines) == 1 else 'are'} other than said before."
