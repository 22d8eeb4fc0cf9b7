"""The versions of model and source by which a run was planned: it is printed by them, whatever is said of either
since."""

from __future__ import annotations

from collections.abc import Collection, Iterable
from copy import copy

from django.db import DEFAULT_DB_ALIAS

from machines.model.profile import Profile
from machines.model.versions import in_force
from scheduling.log import batched_sql
from scheduling.log.models import Machine, Run, Source, SourceVersion
from scheduling.queries.closed_away import ClosedAway
from scheduling.queries.runs import Model, machine_model, machine_of, profile_said

# Asked with polls and reports of what was planned by an older version, where Django's queries take too long.
_VERSIONS = "SELECT profile_id, number, data FROM log_profileversion WHERE {}"


def planned_by(run: Run, machine: Machine) -> tuple[str, int]:
    """The model and the version of it by which a run of a machine was planned."""
    return run.profile or machine.unnamed_profile, run.profile_version


def profile_versions(named: Collection[tuple[str, int]]) -> dict[tuple[str, int], Profile]:
    """Versions of models in numbers, by id and number; one query however many they are. One whose stream was closed
    into an archive is missing."""
    if not named:
        return {}
    asked = _VERSIONS.format(" OR ".join(["(profile_id = %s AND number = %s)"] * len(named)))
    (found,) = batched_sql.run([(asked, [value for one in named for value in one])], using=DEFAULT_DB_ALIAS)
    return {(id, number): profile_said(text) for id, number, text in found}


def run_profiles(runs: Iterable[Run], machine: Machine, model: Model) -> dict[str, Profile]:
    """A machine in numbers while it is on each of some runs of it, by the run's id. Nothing is asked where all of them
    were planned by the newest version, as they nearly always were.

    Args:
        runs: of the machine.
        machine: its row.
        model: its model.
    """
    by = {run.id: planned_by(run, machine) for run in runs}
    older = profile_versions({one for one in by.values() if one != (model.id, model.version)})
    return {run: in_force(older.get(one, model.profile), model.profile) for run, one in by.items()}


def run_profile(run: Run, machine: Machine | None = None) -> Profile:
    """A machine in numbers while it is on a run.

    Args:
        run: of the machine.
        machine: its row, where it was read already.

    Raises:
        InputError: it was closed into an archive.
    """
    machine = machine_of(run) if machine is None else machine
    return run_profiles([run], machine, machine_model(machine.profile_id))[run.id]


def run_source(run: Run) -> Source:
    """What a run prints, by the version that it was planned with; its name, and whether it is used, are of now.

    Raises:
        ClosedAway: it was closed into an archive.
    """
    try:
        source: Source = run.source
    except Source.DoesNotExist:
        raise ClosedAway("source", run.source_id) from None
    if source.version != run.source_version:
        said, source = SourceVersion.objects.get(source_id=source.id, number=run.source_version), copy(source)
        source.version, source.kind = said.number, str(said.picture.get("kind", ""))
        source.picture, source.upload, source.method, source.curve = said.picture, said.upload, said.method, said.curve
    return source
