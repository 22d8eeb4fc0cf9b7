"""What was measured of a machine: kept in the log, and applied to the numbers of its model."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace

from django.db import transaction

from machines.imaging.patterns import corrected_head_to_knife_mm, feed_correction
from machines.model.calibration import Calibration
from machines.model.profile import Profile
from machines.serialization import structure
from scheduling.log.ends import lock
from scheduling.log.event_records import facts
from scheduling.log.events import EVENT_KINDS
from scheduling.log.events.equipment import MachineCalibrated
from scheduling.log.models import Machine
from scheduling.log.store import Append, Attribution, append
from scheduling.queries.names import require
from scheduling.queries.run_versions import run_profiles
from scheduling.queries.runs import machine_model, machine_profile, runs_to_come


def calibrate(
    machine: str, calibration: Calibration, by: Attribution, *, check: Callable[[Machine], None] = lambda _: None
) -> None:
    """From now on this is what was measured of a machine, in place of all before; the same again writes nothing.

    Args:
        machine: its id.
        calibration: all that was measured.
        by: who says so.
        check: looks at the machine as it stands, where nobody else can append, and raises where it is not as it was
            seen. The version of its stream would not do: what its board reports meanwhile changes nothing of it.

    Raises:
        InputError: there is no such machine, or it cannot have what was measured, or not on a run that was planned.
    """
    with transaction.atomic():
        lock("default")
        row = require(Machine, "machine", machine)
        check(row)
        require_possible(row, calibration)
        if machine_calibration(row) != calibration:
            append([Append(f"machine/{machine}", None, [MachineCalibrated(calibration=calibration)])], by)


def require_possible(machine: Machine, calibration: Calibration) -> None:
    """See that a machine can have what was measured, by its model and on each run to come.

    Raises:
        InputError: it cannot.
    """
    model = machine_model(machine.profile_id)
    calibration.check(model.profile)
    for profile in run_profiles(runs_to_come(machine.id), machine, model).values():
        calibration.check(profile)


def machine_calibration(machine: Machine) -> Calibration:
    """What was measured of a machine; what its profile says, while nobody measured."""
    return Calibration() if machine.calibration is None else structure(machine.calibration, Calibration)


def dead_nozzles_by_version(machine: str) -> list[tuple[int, tuple[int, ...]]]:
    """Which nozzles were known to be dead, from which version of the machine's stream on: in order, from none known at
    version 0. What a node reports after that it printed knowing it, unless it was cut off: then it heard of it late."""
    measured = facts(stream=f"machine/{machine}", kinds={EVENT_KINDS[MachineCalibrated]}, using="default")
    known = [(one.version, one.event) for one in measured]
    return [
        (0, ()),
        *((at, event.calibration.dead_nozzles) for at, event in known if isinstance(event, MachineCalibrated)),
    ]


def calibrated_profile(machine: Machine) -> Profile:
    """A machine in numbers: its model's, with what was measured of it in their place."""
    return machine_calibration(machine).applied_to(machine_profile(profile=machine.profile_id))


def with_feed(calibration: Calibration, printed_mm: float, measured_mm: float) -> Calibration:
    """The calibration after a feed ruler was measured that the machine printed with this one.

    The factor is kept to a millionth, finer than any rule.

    Raises:
        InputError: the lengths are not within 5% of each other.
    """
    factor = calibration.feed_factor / feed_correction(printed_mm, measured_mm)
    return replace(calibration, feed_factor=round(factor, 6))


def with_knife(calibration: Calibration, profile: Profile, cut_at_mm: float) -> Calibration:
    """The calibration after a cut on a knife scale that the machine printed with this one.

    Args:
        calibration: as it was then.
        profile: of the machine's model.
        cut_at_mm: from the full stroke, plus towards what is printed later.

    Raises:
        InputError: no knife, or the distance comes out below 0.
    """
    measured_mm = corrected_head_to_knife_mm(calibration.applied_to(profile), cut_at_mm)
    return replace(calibration, head_to_knife_mm=measured_mm)


def with_dead(calibration: Calibration, dead: tuple[int, ...]) -> Calibration:
    """The calibration after a nozzle check, which shows all nozzles, those too that were left out before."""
    return replace(calibration, dead_nozzles=tuple(sorted(set(dead))))
