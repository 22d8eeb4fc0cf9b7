"""Where rolls and blades end over a season."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from datetime import timedelta

from scheduling.log.models import Run
from scheduling.paper.pace import pace_of
from scheduling.queries.machine_context import MachineContext
from scheduling.supplies.change_dates import Consumable
from scheduling.supplies.forecast import End, coming_changes
from server.console import formatting
from server.console.season_span import SeasonSpan

# They stand so far apart, per cent of the width.
ENDS_APART = 0.8


@dataclass(frozen=True)
class PartEnd:
    """Where a roll or a blade ends: what, and whether nobody is there before to change it."""

    x: float
    said: str
    is_wrong: bool


def part_ends(context: MachineContext, span: SeasonSpan, runs: Sequence[Run]) -> Iterator[PartEnd]:
    """The next end of roll and blade, as they are counted; further ends of rolls by the pace of the run."""
    for part, end in coming_changes(context, context.now):
        yield PartEnd(span.x(end.at), _said(part, end, context), _is_wrong(end))
        if part == "roll":
            yield from _further(context, span, end, runs)


def _further(context: MachineContext, span: SeasonSpan, first: End, runs: Sequence[Run]) -> Iterator[PartEnd]:
    on = next((run for run in runs if run.starts_at <= first.at < run.ends_at), None)
    if on is None:
        return
    model = context.model
    every = timedelta(hours=1000.0 * model.media.roll_m / pace_of(on, model).mm_per_hour)
    if 100 * (every / (span.ends - span.begins)) < ENDS_APART:
        return
    at = first.at + every
    while at < min(on.ends_at, span.ends):
        yield PartEnd(span.x(at), f"A roll ends about {formatting.date(at, context.venue.zone)}", False)
        at += every


def _is_wrong(end: End) -> bool:
    return end.change.window is None


def _said(part: Consumable, end: End, context: MachineContext) -> str:
    words = end.change.in_words
    if _is_wrong(end):
        return f"{words[:1].upper()}{words[1:]}."
    return f"The {part} ends {formatting.date(end.at, context.venue.zone)}: change it {words}."
