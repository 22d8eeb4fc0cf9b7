"""What happened to a machine, and what is to happen, in order of time and in words."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from datetime import datetime

from scheduling.calendar.sky_entries import USUAL_SKY
from scheduling.log.models import Notice, Outage, Override, Run, SupplyChange
from scheduling.queries.machine_context import MachineContext
from scheduling.sky import almanac
from scheduling.supplies.forecast import coming_changes
from scheduling.venues.service_windows import windows_of
from server.console import formatting
from server.console.outage_words import becomes_after
from server.console.own_clock import UTC, OwnClock


@dataclass(frozen=True)
class Happening:
    """Something at an instant: by the venue's clock, in UTC and by the reader's own clock, in words, and whether
    something was wrong."""

    at: datetime
    there: str
    utc: str
    yours: str
    said: str
    is_wrong: bool = False


def happenings(
    context: MachineContext, runs: Sequence[Run], begins: datetime, ends: datetime, own: OwnClock
) -> list[Happening]:
    """All that is known of a machine between two instants, in order of time; ``own`` is the reader's clock."""
    zone = context.venue.zone
    found = [*_planned(context, runs, begins), *_told(context, begins, ends)]
    within = sorted((one for one in found if begins <= one[0] < ends), key=lambda one: one[0])
    return [
        Happening(at, formatting.moment(at, zone), formatting.moment(at, UTC), own.moment(at), said, wrong)
        for at, said, wrong in within
    ]


Known = Iterator[tuple[datetime, str, bool]]


def _planned(context: MachineContext, runs: Sequence[Run], begins: datetime) -> Known:
    there = context.at_venue
    for run in runs:
        yield run.starts_at, f"{run.source.name} begins", False
        yield run.ends_at, f"{run.source.name} ends", False
    for opening in there.openings:
        yield opening.opens_at, f"{opening.name} opens", False
        if opening.closes_at is not None:
            yield opening.closes_at, f"{opening.name} closes", False
    for part, end in coming_changes(context, context.now):
        change = end.change.in_words
        yield (
            end.at,
            f"the {part} ends, by count; {change if end.change.window is None else f'change it {change}'}",
            (end.change.window is None),
        )


def _told(context: MachineContext, begins: datetime, ends: datetime) -> Known:
    there, machine = context.at_venue, context.machine.id
    for window in windows_of(there, begins, ends):
        until = formatting.clock_time(window.ends_at, there.venue.zone)
        yield window.starts_at, f"somebody is there: {window.name}, until {until}", False
    for event in almanac.calendar(begins, ends, there.place, USUAL_SKY):
        said = event.kind.replace("-", " ")
        yield event.at, f"{said} of the Moon" if "quarter" in said else said, False
    for outage in Outage.objects.filter(machine_id=machine, noticed_at__gte=begins, noticed_at__lt=ends):
        yield outage.noticed_at, f"an outage is settled: {becomes_after(outage)}", True
    for word in Override.objects.filter(machine_id=machine, given_at__gte=begins, given_at__lt=ends):
        yield word.given_at, "a person decides on an outage", False
    for notice in Notice.objects.filter(machine_id=machine, raised_at__gte=begins, raised_at__lt=ends):
        yield notice.raised_at, notice.said, True
    for change in SupplyChange.objects.filter(machine_id=machine, at__gte=begins, at__lt=ends):
        yield change.at, f"somebody changes the {change.part}", False
