"""An opening's own page: when it is by every clock, what will hang there then, and what may not come true."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from typing import Any

from django.http import HttpRequest, HttpResponse
from django.shortcuts import get_object_or_404, render
from django.views.decorators.cache import never_cache
from django.views.decorators.http import require_safe

from scheduling.answers.opening_concerns import Concern, doors_of, opening_concerns
from scheduling.commands.changes import ChangeWarning
from scheduling.commands.openings import call_off_opening, change_opening, closed_then
from scheduling.commands.plan_run import PlanRun
from scheduling.log.models import Machine, Opening, OpeningSeries, Venue
from scheduling.queries.machine_context import MachineContext, machine_contexts
from server import wiring
from server.accounts.people import standing_of
from server.accounts.roles import may_give, roles_for
from server.console import formatting
from server.console.overview import everywhere
from server.console.own_clock import OwnClock, own_clock, with_own_clock
from server.console.paper_at_page import asked_by, paper_shown

# Of what lies on the paper of each machine, so many lines; the page of its paper has all.
MOST_LINES = 4


@dataclass(frozen=True)
class ThereThen:
    """A machine at an opening: what is amiss there and what is only to be known, and what its paper shows; and how the
    page of its paper is asked about it, see `server.console.paper_at_page.asked_by`."""

    machine: Machine
    asked: tuple[str, str]
    concerns: tuple[Concern, ...]
    shown: dict[str, Any]


@require_safe
@never_cache
@with_own_clock
def page(request: HttpRequest, opening: str) -> HttpResponse:
    """How it stands; those who may change it are led to where."""
    row = get_object_or_404(Opening, pk=opening)
    venue, now = get_object_or_404(Venue, pk=row.venue_id), wiring.now()
    own, standing = own_clock(request).beside(venue.zone, "UTC"), standing_of(request.user)
    machines = Machine.objects.filter(venue_id=venue.id, retired_at=None).order_by("name", "id")
    there = tuple(_there(row, machine_contexts(machines, now), own)) if row.called_off_at is None else ()
    venues = list(Venue.objects.filter(retired_at=None).order_by("name", "id"))
    series = OpeningSeries.objects.filter(id=row.series).first() if row.series else None
    return render(
        request,
        "console/opening_page.html",
        {
            "opening": row,
            "venue": venue,
            "is_past": row.opens_at <= now,
            "how": "" if "civil" in row.anchor else formatting.anchor(row.anchor),
            "clocks": tuple(_clocks(row, venue, own)),
            "times": everywhere(row.opens_at, venue.id, venues),
            "series": series,
            "there": there,
            "is_well": bool(there) and all(one.leaves_it_well for each in there for one in each.concerns),
            "warnings": _warnings(row, venue) if row.opens_at > now and row.called_off_at is None else (),
            "may_plan": standing.role in roles_for(PlanRun),
            "may_change": may_give(standing, change_opening, venue.id),
            "may_call_off": may_give(standing, call_off_opening, venue.id),
            "own": own,
        },
    )


def _there(row: Opening, contexts: tuple[MachineContext, ...], own: OwnClock) -> Iterator[ThereThen]:
    doors = doors_of(row.opens_at, row.closes_at, row.anchor, row.closing)
    for context in contexts:
        shown = paper_shown(context, row.opens_at, own)
        yield ThereThen(
            machine=context.machine,
            asked=asked_by(row.opens_at, context),
            concerns=opening_concerns(context, doors, paper=shown["found"]),
            shown=shown | {"lines": shown["lines"][:MOST_LINES]},
        )


def _clocks(row: Opening, venue: Venue, own: OwnClock) -> Iterator[tuple[str, str, str]]:
    """By which clock, when it opens, and when it closes; empty where nobody said."""
    for name, zone in (("There", venue.zone), ("Everywhere", "UTC"), ("By your clock", own.zone)):
        if zone:
            closes = "" if row.closes_at is None else formatting.moment(row.closes_at, zone)
            yield f"{name}, {zone}", formatting.moment(row.opens_at, zone), closes


def _warnings(row: Opening, venue: Venue) -> tuple[ChangeWarning, ...]:
    return tuple(closed_then(venue, row.opens_at))
