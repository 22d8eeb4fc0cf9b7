"""When a roll, a cartridge or a blade is expected to end, as a calendar keeps it: one entry a part, whatever is printed
meanwhile."""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterator
from dataclasses import dataclass
from datetime import UTC, datetime

from machines.node.cautions import BESIDE
from scheduling.changes import Part
from scheduling.forecast import End, Forecast
from scheduling.kept_forecast import kept_forecast
from scheduling.log.models import Machine, SupplyChange
from scheduling.plates import PlateGone, PlateStore

DECIDE = (
    "Guards, interlocks and the stop control beside the machine keep people safe, not this calendar. Local codes and"
    " the venue's safety officer decide."
)


@dataclass(frozen=True, kw_only=True)
class SupplyEnd:
    """The end of a part within a machine's run.

    Attributes:
        part: which.
        number: which one of its kind at the machine; with ``part`` it never means another.
        at: when it ends, UTC, to the hour before: it is an estimate, and should not move with every column.
        title, said: in words, with what to mind when it is changed.
        changed_at: when what it is counted from last changed, UTC.
    """

    part: Part
    number: int
    at: datetime
    title: str
    said: str
    changed_at: datetime


def supply_ends(machine: Machine, now: datetime, plates: PlateStore) -> Iterator[SupplyEnd]:
    """What of a machine ends within the run that it is on or will be on next.

    Nothing while a plate is gone: its ink cannot be counted until it is drawn again (`scheduling.redraw`).

    Args:
        machine: whose.
        now: this instant, UTC.
        plates: where plates lie.
    """
    try:
        kept = kept_forecast(machine, now, plates)
    except PlateGone:
        return
    yield from _ends(kept.forecast, kept.moved_at)


def _ends(told: Forecast, changed_at: datetime) -> Iterator[SupplyEnd]:
    run = told.run
    if run is None:
        return
    counted = Counter(SupplyChange.objects.filter(machine_id=told.machine).values_list("part", flat=True))
    parts: tuple[tuple[Part, End | None, int, str], ...] = (
        ("roll", run.roll_ends, told.roll.number, "Roll ends"),
        ("cartridge", run.cartridge_ends, counted["cartridge"] + 1, "Ink ends"),
        ("blade", run.blade_ends, counted["blade"] + 1, "Blade is worn"),
    )
    for part, end, number, title in parts:
        if end is not None:
            change = f"{'Change it ' if end.change.window else ''}{end.change.in_words}"
            lines = ("An estimate, to the hour.", change, end.warning, *BESIDE[f"{part}-changed"], DECIDE)
            yield SupplyEnd(
                part=part,
                number=number,
                at=end.at.astimezone(UTC).replace(minute=0, second=0, microsecond=0),
                title=title,
                said="\n".join(line for line in lines if line),
                changed_at=changed_at,
            )
