"""The parts that people change at a machine: its roll, its cartridge and its blade; since when, and what is left.

Each is counted from where the newest of its changes was told at the machine. Where none was told it is taken to have
been new at the machine's first column, and one of its kind to follow another as it is used up. The log does not know
how much paper was threaded by hand: look at the roll as a cross-check.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Sequence
from dataclasses import dataclass
from datetime import datetime

from machines.model.profile import CarriageHead, IdleFiring, Profile
from machines.model.supplies import use
from scheduling.log.models import Machine, Run, SupplyChange
from scheduling.queries.machine_context import MachineContext
from scheduling.queries.runs import runs_standing
from scheduling.rendering.plate_store import PlateStore
from scheduling.supplies.counted_dots import dots_laid
from scheduling.venues.quiet import loud_s, quiet_of


@dataclass(frozen=True, kw_only=True)
class Roll:
    """The roll at the machine.

    Attributes:
        length_m: of a new one, from the profile.
        number: which one it is, from 1: one more than were changed, and more where that many are longer used up.
        changed_at: when it was put in, UTC; None where nobody told.
        left_m: on it, from the head on.
    """

    length_m: float
    number: int
    changed_at: datetime | None
    left_m: float


@dataclass(frozen=True, kw_only=True)
class Cartridge:
    """The ink at the machine.

    Attributes:
        holds_ml: a new one, from the profile.
        changed_at: when it was put in, UTC; None where nobody told.
        used_ml: of it, by dots and by the firing of idle nozzles.
        left_ml: in it; 0 where more was used than a new one holds.
    """

    holds_ml: float
    changed_at: datetime | None
    used_ml: float
    left_ml: float


@dataclass(frozen=True, kw_only=True)
class Blade:
    """The knife's blade.

    Attributes:
        changed_at: when it was put in, UTC; None where nobody told.
        cuts_made: since then, by itself or by hand.
        cuts_per_blade: how many one makes.
        blades_worn: the same in blades; above 1 it is overdue.
    """

    changed_at: datetime | None
    cuts_made: int
    cuts_per_blade: int
    blades_worn: float


def roll_at(context: MachineContext) -> Roll:
    """The roll at a machine's head."""
    return roll(context.machine, context.profile, context.supply_changes(SupplyChange.ROLL))


def roll(machine: Machine, profile: Profile, changes: Sequence[SupplyChange]) -> Roll:
    """The roll at the head, by its changes in order."""
    newest = changes[-1] if changes else None
    fed = machine.paper_position - (newest.paper_position if newest else 0)
    fed_m, length_m = fed * profile.column_pitch_mm / 1000.0, profile.media.roll_m
    used_up = int(fed_m / length_m * (1 + 1e-12))
    return Roll(
        length_m=length_m,
        number=len(changes) + used_up + 1,
        changed_at=newest.at if newest else None,
        left_m=max(0.0, length_m - (fed_m - used_up * length_m)),
    )


def cartridge(context: MachineContext, plates: PlateStore, now: datetime, idle: IdleFiring | None) -> Cartridge | None:
    """The cartridge in the head; None for a line head, and where nobody said how much a new one holds.

    Args:
        context: the machine.
        plates: where plates lie.
        now: this instant, UTC.
        idle: how nozzles are kept open, from the first run's beginning on.

    Raises:
        PlateGone: not one of the plates is there.
    """
    profile, head = context.profile, context.profile.head
    if not isinstance(head, CarriageHead) or head.cartridge_ml is None:
        return None
    newest = next(reversed(context.supply_changes(SupplyChange.CARTRIDGE)), None)
    since = newest.at if newest else _first_run_at(context.machine, now)
    place = newest.paper_position if newest else 0
    used = use(profile, columns=0, dots=0, seconds=loud_s(quiet_of(context.venue), since, now), idle=idle)
    runs = list(Run.objects.filter(machine_id=context.machine.id, paper_to__gt=place))
    dots_by_model, otherwise = Counter[Profile](), context.profiles_otherwise({run.id for run in runs})
    laid = dots_laid(runs, lambda run: otherwise.get(run.id, profile), plates, since=place)
    for run, dots in laid.items():
        dots_by_model[otherwise.get(run, profile)] += dots
    for model, dots in dots_by_model.items():
        used += use(model, columns=0, dots=dots)
    return Cartridge(
        holds_ml=head.cartridge_ml,
        changed_at=newest.at if newest else None,
        used_ml=used.ink_ml,
        left_ml=max(0.0, head.cartridge_ml - used.ink_ml),
    )


def blade(context: MachineContext) -> Blade | None:
    """The blade of the knife; None where there is none."""
    knife = context.profile.knife
    if knife is None:
        return None
    newest = next(reversed(context.supply_changes(SupplyChange.BLADE)), None)
    return Blade(
        changed_at=newest.at if newest else None,
        cuts_made=context.cuts,
        cuts_per_blade=knife.cuts_per_blade,
        blades_worn=context.cuts / knife.cuts_per_blade,
    )


def _first_run_at(machine: Machine, now: datetime) -> datetime:
    first = runs_standing(machine.id).order_by("starts_at").first()
    return now if first is None else first.starts_at
