"""What would follow from what was measured of a machine, before it is kept."""

from __future__ import annotations

from collections.abc import Iterator

from machines.model.calibration import Calibration
from machines.model.head import lost_share
from machines.model.profile import CarriageHead, Profile
from machines.serialization import unstructure
from scheduling.commands.changes import Preview
from scheduling.log.models import Machine
from scheduling.queries.calibration import machine_calibration, require_possible
from scheduling.queries.history import differences
from scheduling.queries.runs import machine_profile

TAKEN_UP = "Its board takes it up with its next work; what lies on the paper stays as it is."
MM_PER_M = 1000.0


def preview_calibration(machine: Machine, measured: Calibration) -> Preview:
    """What keeping it would do; nothing is written.

    Raises:
        InputError: the machine cannot have it, or not on a run that was planned.
    """
    require_possible(machine, measured)
    before, profile = machine_calibration(machine), machine_profile(profile=machine.profile_id)
    fields = differences(unstructure(before), unstructure(measured))
    words = tuple(in_words(before, measured, profile))
    return Preview(fields=fields, in_words=(*words, TAKEN_UP) if words else (), warnings=())


def in_words(before: Calibration, measured: Calibration, profile: Profile) -> Iterator[str]:
    """What is another by it, a sentence or two each."""
    if measured.feed_factor != before.feed_factor:
        yield feed_in_words(measured)
        yield _length_in_words(before, measured)
    if measured.dead_nozzles != before.dead_nozzles:
        yield nozzles_in_words(before, measured, profile)
    if measured.head_to_knife_mm != before.head_to_knife_mm:
        yield from _knife_in_words(before, measured, profile)


def feed_in_words(measured: Calibration) -> str:
    """How true the paper is fed."""
    if measured.feed_factor == 1.0:
        return "The paper comes out as it is ordered; the node orders what the model says."
    more = "more" if measured.feed_factor < 1.0 else "less"
    return f"The paper comes out at {measured.feed_factor:.5f} of what is ordered; the node orders that much {more}."


def _length_in_words(before: Calibration, measured: Calibration) -> str:
    """The same machine, ordered otherwise."""
    grows_mm = MM_PER_M * (before.feed_factor / measured.feed_factor - 1.0)
    way = "longer" if grows_mm > 0 else "shorter"
    return f"A metre that is laid from then on comes out {abs(grows_mm):.2f} mm {way} than one before."


def nozzles_in_words(before: Calibration, measured: Calibration, profile: Profile) -> str:
    """Which are left out, and what those cost until the node knows; of a head without nozzles there are none."""
    dead, head = measured.dead_nozzles, profile.head
    if not dead or not isinstance(head, CarriageHead):
        return "No nozzle is dead."
    unnoticed = set(dead) - set(before.dead_nozzles)  # the others print nothing that would be lost
    lost = lost_share(head.nozzles - len(before.dead_nozzles), head.passes, len(unnoticed))
    return (
        f"Left out from now on: {', '.join(map(str, dead))}; {head.nozzles - len(dead)} of {head.nozzles} print. "
        f"Until the node knows, {lost:.2%} of the dots are lost; then none."
    )


def knife_in_words(measured: Calibration) -> str:
    """Where the knife stands."""
    if measured.head_to_knife_mm is None:
        return "The knife is taken to stand where the model says; the node cuts by that from now on."
    return f"The knife stands {measured.head_to_knife_mm:.2f} mm from the head; the node cuts by that from now on."


def _knife_in_words(before: Calibration, measured: Calibration, profile: Profile) -> Iterator[str]:
    yield knife_in_words(measured)
    knives = (one.applied_to(profile).knife for one in (before, measured))
    was, stands = (0.0 if knife is None else knife.head_to_knife_mm for knife in knives)
    if was != stands:
        way = "later" if stands > was else "sooner"
        yield f"Strips are cut {abs(stands - was):.2f} mm of feed {way} than before, those too that hang there now."
