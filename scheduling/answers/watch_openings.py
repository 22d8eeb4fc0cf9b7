"""Openings that come soon, held against what is planned and known again and again: what of one is amiss at a machine is
a notice of that machine, until it is well, or the opening is over or called off."""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Mapping
from datetime import datetime, timedelta

from scheduling.answers.opening_concerns import Concern, Doors, doors_of, opening_concerns
from scheduling.log.events import Event
from scheduling.log.events.server import OpeningDoubted, OpeningNotDoubted
from scheduling.log.models import Machine, Notice, Opening
from scheduling.log.projecting.projector import require_views
from scheduling.log.projections.notices import OPENING
from scheduling.log.store import Append, Attribution, VersionConflict, append, stream_version
from scheduling.queries.closed_away import machines_in_use
from scheduling.queries.machine_context import MachineContext, machine_context
from scheduling.venues.local_time_text import moment_in_words

WATCH = "watch"
# How soon an opening has to come for what is amiss of it to be a notice.
LOOKED_AHEAD = timedelta(days=28)


def watch_openings(now: datetime) -> int:
    """Raise and clear what is amiss of openings that come soon, and return at how many machines something changed.

    Two watches at once are harmless: the second loses the race on the machine's stream and leaves it at that. So it
    does where the machine's board reports in that moment; it is looked at again the next time.

    Raises:
        ViewsSetAside: what is told would not show, and be told for ever.
    """
    require_views("machines", "notices", "runs", "openings")
    coming = coming_openings(now)
    told = set(Notice.objects.filter(kind=OPENING, cleared_at=None).values_list("machine_id", flat=True))
    venues = {row.venue_id for row in coming}
    watched = [one for one in machines_in_use().order_by("id") if one.venue_id in venues or one.id in told]
    return sum(_watch(one.id, coming, now) for one in watched)


def coming_openings(now: datetime) -> list[Opening]:
    """Those that stand and come soon, or are under way, in order of time."""
    standing = Opening.objects.filter(called_off_at=None, opens_at__lt=now + LOOKED_AHEAD)
    rows = standing.filter(opens_at__gt=now - timedelta(days=366)).order_by("opens_at", "id")
    return [row for row in rows if _doors(row).last > now]


def _watch(id: str, coming: Iterable[Opening], now: datetime) -> bool:
    stream = f"machine/{id}"
    version = stream_version(stream)  # read first: whoever tells of it from here on is noticed
    context = machine_context(Machine.objects.get(id=id), now)
    mine = [row for row in coming if row.venue_id == context.machine.venue_id]
    amiss = {row.id: (row, found) for row in mine if (found := concerns_amiss(context, row))}
    rows = Notice.objects.filter(machine_id=id, kind=OPENING, cleared_at=None)
    events = list(_changes(context, amiss, {row.opening or "": row.said for row in rows}))
    if not events:
        return False
    try:
        append([Append(stream, version, events)], Attribution(actor=WATCH, request=None, said_at=now))
    except VersionConflict:
        return False
    return True


def concerns_amiss(context: MachineContext, row: Opening) -> tuple[Concern, ...]:
    """What of an opening is amiss at a machine now."""
    return tuple(one for one in opening_concerns(context, _doors(row)) if one.is_amiss)


def _doors(row: Opening) -> Doors:
    return doors_of(row.opens_at, row.closes_at, row.anchor, row.closing)


def _changes(
    context: MachineContext, amiss: Mapping[str, tuple[Opening, tuple[Concern, ...]]], told: Mapping[str, str]
) -> Iterator[Event]:
    for id in told.keys() - amiss.keys():
        yield OpeningNotDoubted(opening=id)
    for id, (row, found) in amiss.items():
        said = _said(context, row, found)
        if told.get(id) != said:
            yield OpeningDoubted(opening=id, kinds=tuple(one.kind for one in found), said=said)


def _said(context: MachineContext, row: Opening, found: Iterable[Concern]) -> str:
    when = moment_in_words(row.opens_at, context.at_venue.clock)
    return f"{row.name}, {when} there: {' '.join(one.lasting for one in found)}"
