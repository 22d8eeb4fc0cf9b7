"""The proof of a run before its paper is spent: its own cycle, its own nozzles, its own strips."""

from __future__ import annotations

from datetime import datetime
from typing import Literal

from machines.errors import InputError
from machines.imaging.proof import stretch
from machines.model.profile import Profile
from scheduling.log.models import Run
from scheduling.paper.proof import Faults, Proof, proof, turn_columns
from scheduling.queries.calibration import machine_calibration
from scheduling.queries.run_versions import run_profile, run_source
from scheduling.queries.runs import cycle_named, machine_of
from scheduling.queries.venue_context import place_of
from scheduling.rendering.sources import render_source
from scheduling.rendering.upload_store import UploadStore
from scheduling.sky.zones import zone

Part = Literal["turn", "metre"]
METRE_MM = 1000.0


def run_proof(
    run: Run, part: Part, faults: Faults, uploads: UploadStore | None, turn_at: datetime | None = None
) -> Proof:
    """What a run will print, with the nozzles left out that are known to be dead.

    Args:
        run: the run.
        part: its first metre, or of one turn what the run holds of it.
        faults: what goes wrong unnoticed.
        uploads: where the files of sources lie.
        turn_at: an instant of the turn; None for the run's first.

    Raises:
        InputError: the picture cannot be drawn, or the run holds nothing of that turn.
    """
    machine = machine_of(run)
    measured, place = machine_calibration(machine), place_of(machine.venue)
    profile = measured.applied_to(run_profile(run, machine))
    cycle = cycle_named(run.cycle, run.cycle_options, place=place)
    first = run.first_column
    if turn_at is not None:
        first = int(cycle.turns([turn_at.timestamp()])[0] * profile.columns_per_turn // 1)
    return proof(
        render_source(run_source(run), uploads),
        profile,
        cycle,
        _columns(run, profile, part, first),
        seed=run.nozzle_seed,
        faults=faults,
        place=place,
        zone=zone(machine.venue.zone),
        strips_per_turn=run.strips_per_turn,
        known_dead=measured.dead_nozzles,
    )


def _columns(run: Run, profile: Profile, part: Part, column: int) -> range:
    """The running columns of a part of a run: its first metre, or of the turn that holds a column."""
    if part == "metre":
        wanted = stretch(profile, run.first_column, METRE_MM)
    else:
        wanted = turn_columns(profile, column // profile.columns_per_turn)
    held = range(max(wanted.start, run.first_column), min(wanted.stop, run.end_column))
    if not held:
        raise InputError("at", "the run holds nothing of that turn", "give an instant of the run")
    return held
