"""What quiet hours mean for a run: strips that hang together, and nozzles that stay idle."""

from __future__ import annotations

from collections.abc import Iterator
from datetime import timedelta
from typing import Literal

from machines.model.profile import CarriageHead
from scheduling.paper.quiet_cuts import most_together
from scheduling.supplies.remaining_work import RemainingColumns

# Quiet hours come round by the week; single dates that are farther off are told when they are set.
LOOKED_AT = timedelta(days=14)
QuietKind = Literal["uncut-in-quiet", "idle-in-quiet"]


def quiet_concerns(due: RemainingColumns) -> Iterator[tuple[QuietKind, str]]:
    """What should be meant, as a kind and a sentence without its full stop."""
    yield from _uncut(due)
    yield from _idle(due)


def _uncut(due: RemainingColumns) -> Iterator[tuple[QuietKind, str]]:
    uncut, together = int(due.held.sum()), most_together(due.held)
    if not uncut:
        return
    mm = together * due.profile.columns_per_turn / due.run.strips_per_turn * due.profile.column_pitch_mm
    told = (
        f"{uncut} of {len(due.held)} ends of strips come to the knife in quiet hours, and are not cut: by count up to"
        f" {together} strips hang together, {mm / 1000.0:.2f} m, until the next end that comes after quiet hours is cut"
    )
    if uncut == len(due.held):
        told = f"all {uncut} ends of strips come to the knife in quiet hours: none is cut"
    yield "uncut-in-quiet", told


def _idle(due: RemainingColumns) -> Iterator[tuple[QuietKind, str]]:
    head = due.profile.head
    if due.quiet is None or not isinstance(head, CarriageHead) or head.idle_firing is None:
        return
    begins = max(due.now, due.run.starts_at)
    longest = max(
        (ends - begins for begins, ends in due.quiet(begins, min(due.run.ends_at, begins + LOOKED_AT))), default=None
    )
    if longest is not None:
        hours = longest / timedelta(hours=1)
        told = (
            f"no idle nozzle is fired in quiet hours, which are up to {hours:.3g} h long: one that the picture does not"
            " use in that time may dry, as common practice has it, without a source"
        )
        yield "idle-in-quiet", told
