"""The log of a machine as a page: each fact as it was written, the newest first."""

from __future__ import annotations

import re
from collections.abc import Iterator
from dataclasses import dataclass

from django.contrib.auth.decorators import login_required
from django.http import HttpRequest, HttpResponse
from django.shortcuts import get_object_or_404, render
from django.views.decorators.cache import never_cache
from django.views.decorators.http import require_safe

from scheduling.log.models import Event, Machine, Venue
from scheduling.queries.machine_log import newest_events
from scheduling.sky.zones import zone
from server.console import formatting
from server.desk.callers import names_of
from server.value_words import shortened, value_in_words

ON_A_PAGE = 50
POSITION = re.compile(r"[1-9][0-9]{0,17}", re.ASCII)


@dataclass(frozen=True, kw_only=True)
class ShownEvent:
    """A fact in words.

    Attributes:
        position: in the log.
        did: its kind.
        of: its stream.
        when: it was so, by the clock there.
        told: when the server was told, where that is another minute; else empty.
        by: who said it.
        data: its fields as they were written, in words.
    """

    position: int
    did: str
    of: str
    when: str
    told: str
    by: str
    data: tuple[tuple[str, str], ...]


@login_required
@never_cache
@require_safe
def machine_log(request: HttpRequest, id: str) -> HttpResponse:
    """What a machine told and was told; 50 at a time."""
    machine = get_object_or_404(Machine, pk=id)
    asked = request.GET.get("before", "")
    before = int(asked) if POSITION.fullmatch(asked) else None
    found = newest_events(id, ON_A_PAGE + 1, before)
    zone_name = _zone_of(machine)
    page = {
        "machine": machine,
        "zone": zone_name,
        "shown": list(_shown(found[:ON_A_PAGE], zone_name)),
        "before": before,
        "wrong": asked if asked and before is None else "",
        "earlier": found[ON_A_PAGE - 1].position if len(found) > ON_A_PAGE else None,
    }
    return render(request, "desk/machine_log.html", page)


def _zone_of(machine: Machine) -> str:
    """The name of the zone by which it stands; UTC where its venue was closed into an archive."""
    venue = Venue.objects.filter(pk=machine.venue_id).first()
    return "UTC" if venue is None else venue.zone


def _shown(events: list[Event], zone_name: str) -> Iterator[ShownEvent]:
    clock, names = zone(zone_name), names_of(one.actor for one in events)
    for one in events:
        when, told = (formatting.moment(at, zone_name) for at in (one.happened_at, one.said_at))
        yield ShownEvent(
            position=one.position,
            did=one.kind.replace("-", " ").capitalize(),
            of=one.stream,
            when=when,
            told="" if told == when else told,
            by=names.get(one.actor, one.actor),
            data=tuple(
                (name.replace("_", " "), shortened(value_in_words(said, clock))) for name, said in one.data.items()
            ),
        )
