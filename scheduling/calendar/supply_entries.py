"""When a roll, a cartridge or a blade is expected to end, as a calendar keeps it: one entry a part, whatever is printed
meanwhile."""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from dataclasses import dataclass
from datetime import datetime

from machines.operator.safety_notes import BESIDE
from scheduling.queries.machine_context import MachineContext
from scheduling.rendering.plate_store import PlateGone, PlateStore
from scheduling.supplies.change_dates import Consumable
from scheduling.supplies.due_changes import part_ends
from scheduling.supplies.forecast import End, coming_changes
from scheduling.supplies.forecast_cache import hour_of, input_changed_at, kept_forecast
from scheduling.supplies.parts import roll_at

DECIDE = (
    "Guards, interlocks and the stop control beside the machine keep people safe, not this calendar. Local codes and"
    " the venue's safety officer decide."
)

TITLES: dict[Consumable, str] = {"roll": "Roll ends", "cartridge": "Ink ends", "blade": "Blade is worn"}


@dataclass(frozen=True, kw_only=True)
class SupplyEnd:
    """The end of a part within a machine's run.

    Attributes:
        part: which.
        number: which one of its kind at the machine; with ``part`` it never means another.
        at: when it ends, UTC, to the hour before: it is an estimate, and should not move with every column.
        title, description: in words, with what to mind when it is changed.
        changed_at: when what it is counted from last changed, UTC.
    """

    part: Consumable
    number: int
    at: datetime
    title: str
    description: str
    changed_at: datetime


def supply_ends(context: MachineContext, plates: PlateStore) -> Iterator[SupplyEnd]:
    """What of a machine ends within the run that it is on or will be on next.

    Nothing of ink while a plate is gone: it cannot be counted until the plate is there again. Roll and blade are
    counted without.

    Args:
        context: the machine, at this instant.
        plates: where plates lie.
    """
    ends: Iterable[tuple[Consumable, End | None]]
    try:
        kept = kept_forecast(context, context.now, plates)
    except PlateGone:
        ends, changed_at = coming_changes(context, hour_of(context.now)), input_changed_at(context)
    else:
        ends, changed_at = part_ends(kept.forecast), kept.moved_at
    numbers = {part: len(context.supply_changes(part)) + 1 for part in TITLES}
    numbers["roll"] = roll_at(context).number
    for part, end in ends:
        if end is None:
            continue
        change = f"{'Change it ' if end.change.window else ''}{end.change.in_words}"
        lines = ("An estimate, to the hour.", change, end.warning, *BESIDE[f"{part}-changed"], DECIDE)
        yield SupplyEnd(
            part=part,
            number=numbers[part],
            at=hour_of(end.at),
            title=TITLES[part],
            description="\n".join(line for line in lines if line),
            changed_at=changed_at,
        )
