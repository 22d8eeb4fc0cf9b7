"""The paper of a machine as it was at an instant before its newest report, from what was reported.

A report tells when the last of its columns was laid, and by how much the worst of them missed its instant: between the
report before and that instant it is reckoned which of them were laid, and how many may or may not have been.
"""

from __future__ import annotations

from dataclasses import dataclass
from datetime import datetime

import numpy as np

from scheduling.log.models import HandUse, PrintedStretch, Run
from scheduling.paper.next_passage import OnRun, on_run
from scheduling.paper.printed_paper import stretch_end
from scheduling.paper.strip_now import Laid
from scheduling.queries.machine_context import MachineContext


@dataclass(frozen=True)
class PaperBefore:
    """What lay on a machine's paper.

    Attributes:
        head: the place under the head.
        laid: what lay there, in the order of the paper.
        unsure_columns: how many columns near the head may lie there, or not.
    """

    head: int
    laid: tuple[Laid, ...]
    unsure_columns: int


def newest_stretch(context: MachineContext) -> PrintedStretch | None:
    """The newest report of printed columns of a machine."""
    return PrintedStretch.objects.filter(machine_id=context.machine.id).order_by("-version").first()


def paper_before(context: MachineContext, at: datetime, columns: int) -> PaperBefore:
    """The last so many columns of paper, at an instant that is before the newest report."""
    of_machine = PrintedStretch.objects.filter(machine_id=context.machine.id)
    whole = of_machine.filter(at__lte=at).order_by("-paper_position").first()
    later = of_machine.filter(at__gt=at, version__gt=whole.version if whole else 0).order_by("version").first()
    part = None if later is None else _part(context, later, at, whole.at if whole else None)
    head = max([stretch_end(whole)] if whole else [0])
    if part is not None and part.laid.end > part.laid.first:
        head = max(head, part.laid.end_place)
    by_hand = HandUse.objects.filter(machine_id=context.machine.id, at__lte=at).order_by("-version").first()
    if by_hand is not None:
        head = max(head, by_hand.paper_position + by_hand.paper_columns)
    near = of_machine.filter(at__lte=at, paper_position__gt=head - columns - context.model.columns_per_turn)
    rows = near.order_by("paper_position", "version")
    laid = [Laid(one.paper_position, one.first_column, one.end_column, one.run_id) for one in rows]
    if part is not None and part.laid.end > part.laid.first:
        laid.append(part.laid)
    return PaperBefore(head, tuple(laid), 0 if part is None else part.unsure)


@dataclass(frozen=True)
class _Part:
    """What of a report's columns lay there by an instant, and how many are not sure."""

    laid: Laid
    unsure: int


def _part(context: MachineContext, later: PrintedStretch, at: datetime, after: datetime | None) -> _Part | None:
    run = Run.objects.filter(id=later.run_id).first()
    if run is None:
        return None
    on = on_run(context, run)
    ends, due = _bursts(on, later)
    by, last = at.timestamp(), later.at.timestamp()
    floor = due[0] if after is None else after.timestamp()
    # The first of columns that are printed late misses most, the last as much as is told by its instant.
    missed_last = last - due[-1]
    missed_first = later.worst_miss_s if abs(later.worst_miss_s) > abs(missed_last) else missed_last
    reckoned = np.clip(np.maximum.accumulate(due + np.linspace(missed_first, missed_last, len(due))), floor, last)
    first, end = int(later.first_column), int(later.end_column)
    laid = int(np.searchsorted(reckoned, by, side="right"))
    sure = int(np.searchsorted(np.minimum(due + max(later.worst_miss_s, 0.0), last), by, side="right"))
    perhaps = int(np.searchsorted(np.maximum(due + min(later.worst_miss_s, 0.0), floor), by, side="right"))
    upto = [first, *(min(int(one), end) for one in ends)]
    return _Part(
        laid=Laid(int(later.paper_position), first, upto[laid], run.id),
        unsure=upto[perhaps] - upto[sure],
    )


def _bursts(on: OnRun, stretch: PrintedStretch) -> tuple[np.ndarray, np.ndarray]:
    """Where the bursts of a report end, and when each was due, POSIX seconds."""
    per_burst = on.profile.columns_per_burst
    starts = np.arange(on.profile.burst_start(stretch.first_column), stretch.end_column, per_burst)
    return starts + per_burst, on.instants(np.maximum(starts, on.run.first_column))
