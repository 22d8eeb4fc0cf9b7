"""A machine's paper at an instant that somebody names by the venue's clock: drawn, and in words by three clocks."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from datetime import datetime, timedelta
from typing import Any

from django.http import HttpRequest, HttpResponse
from django.shortcuts import get_object_or_404, render
from django.views.decorators.cache import never_cache
from django.views.decorators.http import require_safe

from machines.errors import InputError
from scheduling.answers.paper_at import paper_at, require_near
from scheduling.answers.paper_at_told import ColumnsTold, PaperTold, SpanTold, paper_at_told
from scheduling.answers.paper_in_words import from_head, on_the_floor, place_in_words
from scheduling.log.models import Machine
from scheduling.queries.machine_context import MachineContext, machine_context
from scheduling.sky.civil import instant_of, readings
from scheduling.sky.zones import zone
from server import wiring
from server.console import formatting
from server.console.drawn_paper import drawn_paper, in_sight
from server.console.own_clock import UTC, OwnClock, own_clock, with_own_clock

# How far the links beside the form go.
STEPS = (
    ("A day earlier", timedelta(days=-1)),
    ("An hour earlier", timedelta(hours=-1)),
    ("An hour later", timedelta(hours=1)),
    ("A day later", timedelta(days=1)),
)


@dataclass(frozen=True)
class Asked:
    """Which instant is asked about.

    Attributes:
        at: it, UTC.
        said: as the form shows it, by the venue's clock.
        which: the earlier or the later of two; empty where there is one.
        wrong: why what was said cannot be read; None where it can.
    """

    at: datetime
    said: str
    which: str = ""
    wrong: InputError | None = None


@dataclass(frozen=True)
class Line:
    """Something that lies on the paper, or was cut off: what, which place of the picture, and when by each clock."""

    what: str
    place: str
    there: str
    utc: str
    yours: str


@require_safe
@never_cache
@with_own_clock
def page(request: HttpRequest, machine: str) -> HttpResponse:
    """What is under its head then, what hangs, and what was cut off."""
    context = machine_context(get_object_or_404(Machine, pk=machine), wiring.now())
    own, asked = own_clock(request).beside(context.venue.zone, UTC), _asked(request, context)
    shown = paper_shown(context, asked.at, own) | {
        "asked": asked,
        "machine": context.machine,
        "venue": context.venue,
        "steps": [(text, asked_by(asked.at + step, context)) for text, step in STEPS],
        "own": own,
    }
    return render(request, "console/paper_at.html", shown)


def paper_shown(context: MachineContext, at: datetime, own: OwnClock) -> dict[str, Any]:
    """What a page shows of a machine's paper at an instant."""
    found = paper_at(context, at, in_sight(context.model))
    told = paper_at_told(found, [zone(UTC), *([zone(own.zone)] if own.zone else [])])
    return {
        "found": found,
        "told": told,
        "when": formatting.moment(at, context.venue.zone),
        "utc": told.at.by_clocks[0].in_words,
        "yours": own.moment(at),
        "drawn": drawn_paper(found),
        "floor": on_the_floor(told),
        "lines": tuple(lines(told)),
        "own": own,
    }


def lines(told: PaperTold) -> Iterator[Line]:
    """The newest first."""
    if told.newest is not None:
        yield _line("Under the head", told.newest)
    if told.due is not None and told.due != told.newest:
        yield _line("Belongs there, by the plan", told.due)
    for one in reversed(told.hangs):
        yield _line(f"{'Hangs' if told.has_knife else 'Lies'} {from_head(one)}", one.columns)
    for one in reversed(told.past_knife):
        yield _line(f"Past the knife, not cut off, {one.columns.length_mm:.0f} mm", one.columns)
    for strip in reversed(told.strips):
        yield _line("Cut off" if strip.is_reported else "Cut off, by the plan", strip.columns, strip.cut)


def _line(what: str, columns: ColumnsTold, span: SpanTold | None = None) -> Line:
    span = span or columns.due
    utc, *yours = (one.in_words for one in span.by_clocks)
    return Line(what, place_in_words(columns), span.in_words, utc, yours[0] if yours else "")


def _asked(request: HttpRequest, context: MachineContext) -> Asked:
    text, which = request.GET.get("at", ""), request.GET.get("which", "")
    now = context.now.replace(second=0, microsecond=0)
    if not text:
        return Asked(now, asked_by(now, context)[0])
    clock = context.at_venue.clock
    try:
        local = _read(text)
        two = len(readings(local, clock)) == 2
        which = which if which in ("earlier", "later") else "earlier"
        at = instant_of(local, clock, which)
        require_near(at, context.now, "at")
    except InputError as error:
        return Asked(now, text[:40], wrong=error)
    return Asked(at, _said(local), which if two else "")


def _read(text: str) -> datetime:
    try:
        local = datetime.fromisoformat(text)
    except ValueError:
        local = None
    if local is None or local.tzinfo is not None or not 1900 <= local.year <= 9000:
        raise InputError("at", f"{text[:40]!r} is no date with a time", "give one such as 2026-10-24T14:00")
    return local


def asked_by(at: datetime, context: MachineContext) -> tuple[str, str]:
    """How this page is asked about an instant: its time by the venue's clock, and which of two it is.

    A form has no more than thousandths of a second. What is between two is the later: a burst is laid by then.
    """
    local = (at + timedelta(microseconds=-at.microsecond % 1000)).astimezone(context.at_venue.clock)
    return _said(local), "later" if local.fold else "earlier"


def _said(local: datetime) -> str:
    """A time as the form has it, as exact as it is."""
    exact = "milliseconds" if local.microsecond else "seconds" if local.second else "minutes"
    return local.replace(tzinfo=None).isoformat(timespec=exact)
