"""A machine of which a run was planned by an older version of its model: which numbers are the run's, which the
machine's, and which can be no others once anything was planned or printed by them.

A run is printed by the version that it was planned with. What is said of the model later holds for the machine at once
where it is of the machine; and where it is of what is printed, from the next run on.

    number                                  whose            because
    columns_per_turn, mm_per_turn           of the paper     places and running columns are counted by them
    dots_across, print_width_mm, travel     of the paper     the dots that lie there are measured by them
    head.kind, head.nozzles                 of the paper     which dots a dead nozzle has cost is reckoned by them
    whether there is a knife                of the paper     runs are cut, or wound up
    columns_per_burst                       of the run       its board counts bursts, and may know of no other cadence
    highest_mm_per_hour                     of the run       both sides settle its outages by it
    clock_tolerance_dots                    of the run       what its board tells is judged by it
    head.passes, head.drop_pl               of the run       its dots are set, and its ink is counted by them
    head.dot_current_a, .supply_current_a,
    .strobe_s                               of the run       they and the speed have to go together
    name                                    of the machine
    media                                   of the machine   the roll at the head is measured by it
    knife.head_to_knife_mm, .cuts_per_blade of the machine   as when they are measured at it
    encoder_pitch_mm, slip_threshold_mm     of the machine   what its encoder sees
    head.idle_firing, head.cartridge_ml     of the machine   what its head needs and holds
"""

from __future__ import annotations

from dataclasses import replace
from functools import lru_cache

from machines.model.profile import CarriageHead, LineHead, Profile

OF_PAPER = ("columns_per_turn", "mm_per_turn", "dots_across", "print_width_mm", "travel", "head.kind", "head.nozzles")
OF_MACHINE = (
    "name",
    "media",
    "knife",
    "encoder_pitch_mm",
    "slip_threshold_mm",
    "head.idle_firing",
    "head.cartridge_ml",
)
OF_RUN = (
    "columns_per_burst",
    "highest_mm_per_hour",
    "clock_tolerance_dots",
    "head.passes",
    "head.drop_pl",
    "head.dot_current_a",
    "head.supply_current_a",
    "head.strobe_s",
)


def differing(names: tuple[str, ...], one: Profile, other: Profile) -> tuple[str, ...]:
    """Which of some numbers two profiles have otherwise; of two kinds of head, those that only one of them has."""
    return tuple(name for name in names if _number(one, name) != _number(other, name))


def differing_on_paper(one: Profile, other: Profile) -> tuple[str, ...]:
    """The same of what is of the paper."""
    knives = () if (one.knife is None) == (other.knife is None) else ("knife",)
    return (*differing(OF_PAPER, one, other), *knives)


@lru_cache(maxsize=64)
def in_force(of_run: Profile, of_machine: Profile) -> Profile:
    """What a machine is in numbers while it is on a run.

    Args:
        of_run: by which the run was planned.
        of_machine: the newest of the machine's model. Where the paper is measured otherwise by that, nothing lies there
            by the other, and the run is as it was planned in all.
    """
    if of_run == of_machine or differing_on_paper(of_run, of_machine):
        return of_run
    return replace(
        of_run,
        name=of_machine.name,
        media=of_machine.media,
        knife=of_machine.knife,
        encoder_pitch_mm=of_machine.encoder_pitch_mm,
        slip_threshold_mm=of_machine.slip_threshold_mm,
        head=_head(of_run.head, of_machine.head),
    )


def _head(of_run: CarriageHead | LineHead, of_machine: CarriageHead | LineHead) -> CarriageHead | LineHead:
    if isinstance(of_run, CarriageHead) and isinstance(of_machine, CarriageHead):
        return replace(of_run, idle_firing=of_machine.idle_firing, cartridge_ml=of_machine.cartridge_ml)
    return of_run


def _number(profile: Profile, name: str) -> object:
    of, _, rest = name.partition(".")
    return getattr(profile, of) if not rest else getattr(getattr(profile, of), rest, None)
