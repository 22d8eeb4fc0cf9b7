"""How a machine is at this moment, as far as is known: whether it prints, and whether somebody must look at it."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

from scheduling.log.models import Run
from scheduling.log.projections.machines import STOPPED_BY_ITSELF
from scheduling.paper.printing_now import PrintingNow
from scheduling.queries.machine_context import MachineContext

# The first of these that holds of a machine is said of it.
StateKind = Literal[
    "never-heard",  # it is to print, and was never heard
    "no-node",  # no board was ever enrolled
    "no-run",  # it is on no run, and has none to come
    "ended",  # its board was ended in order
    "silent",  # nothing is heard of it; it may be printing on
    "held",  # it stands still until somebody lets it go on
    "recess",  # nothing is laid, as people hold its run or its venue is closed; nothing is wrong
    "not-due",  # no column belongs under the head now
    "late",  # it prints what was due before
    "printing",
]


@dataclass(frozen=True)
class MachineState:
    """How a machine is.

    Attributes:
        kind: what is said of it.
        is_printing: it is heard, nothing holds it, and something is due.
        is_silent: nothing is heard of it.
        is_missed: it is to print, and was never heard.
        is_ended: it is to print, and its board was ended in order.
        wants_look: it is not known to print, though it should, and nobody there holds it.
    """

    kind: StateKind
    is_printing: bool
    is_silent: bool
    is_missed: bool
    is_ended: bool
    wants_look: bool


def machine_state(context: MachineContext, printing: PrintingNow | None) -> MachineState:
    """How a machine is, and what it prints now."""
    machine, is_due = context.machine, printing is not None and printing.has_begun
    rests = printing is not None and printing.recess is not None
    is_silent, is_ended = machine.silent_since is not None, is_due and machine.stopped_at is not None
    return MachineState(
        kind=_kind(context, printing),
        is_printing=context.heard_at is not None and is_due and not (is_silent or is_ended or machine.hold or rests),
        is_silent=is_silent,
        is_missed=was_missed(context),
        is_ended=is_ended,
        wants_look=is_silent or is_ended or machine.hold in STOPPED_BY_ITSELF,
    )


def was_missed(context: MachineContext) -> bool:
    """Whether a machine is to print, and was never heard."""
    return context.machine.silent_since is not None and context.heard_at is None


def knife_wants_arming(context: MachineContext, run: Run | None) -> bool:
    """Whether strips are left hanging until somebody arms the knife, while the machine prints a run that is cut. What
    holds a machine ends with arming its knife, too."""
    machine = context.machine
    return cuts(run) and machine.epoch > 0 and not context.knife_is_armed and not machine.hold


def cuts(run: Run | None) -> bool:
    """Whether the knife cuts in a run."""
    return run is not None and run.strips_per_turn > 0


def _kind(context: MachineContext, printing: PrintingNow | None) -> StateKind:
    machine = context.machine
    if was_missed(context):
        return "never-heard"
    if machine.epoch == 0:
        return "no-node"
    if printing is None:
        return "no-run"
    if machine.stopped_at is not None:
        return "ended"
    if machine.silent_since is not None:
        return "silent"
    if machine.hold:
        return "held"
    if printing.recess is not None:
        return "recess"
    if printing.due is None:
        return "not-due"
    return "printing" if printing.head is None else "late"
