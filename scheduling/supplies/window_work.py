"""What is to be changed in which of the times that service windows come."""

from __future__ import annotations

from collections.abc import Iterable

from scheduling.log.models import Machine
from scheduling.planning.service_windows import ServiceSpan
from scheduling.queries.machine_context import MachineContext
from scheduling.supplies.change_dates import Consumable
from scheduling.supplies.forecast import coming_changes


def work_in_windows(machines: Iterable[MachineContext]) -> dict[ServiceSpan, tuple[tuple[Consumable, Machine], ...]]:
    """Rolls and blades that are to be changed at some machines, as it is counted now, by the service window in which
    each is; no ink, see `coming_changes`."""
    work: dict[ServiceSpan, tuple[tuple[Consumable, Machine], ...]] = {}
    for context in machines:
        for part, end in coming_changes(context, context.now):
            if (span := end.change.window) is not None:
                work[span] = (*work.get(span, ()), (part, context.machine))
    return work
