"""The page of a machine for its visitors: what is printed now, and when a place of the picture will be.

It needs no account, and says what holds the machine up in words for people who have come to see it.
"""

from __future__ import annotations

from dataclasses import dataclass
from datetime import datetime
from typing import Any

from django.http import HttpRequest, HttpResponse
from django.shortcuts import get_object_or_404, redirect, render
from django.urls import reverse
from django.utils.translation import gettext as _
from django.views.decorators.cache import never_cache
from django.views.decorators.http import require_safe

from machines.clock import utc
from machines.operator.holds import HOLD_WORDS
from machines.operator.language import marked
from scheduling.log.models import Machine, Run, Source
from scheduling.queries.machine_context import MachineContext, machine_context
from scheduling.queries.runs import run_instants, run_policy, runs_standing
from server import wiring
from server.console import formatting
from server.console.fragments import unless_the_same
from server.console.language import spoken
from server.console.machine_card import CurrentPrint, Station, station
from server.console.own_clock import own_clock, with_own_clock
from server.console.place_asked import place_asked
from server.console.place_reply import reply
from server.console.place_search import question_asked
from server.console.touch_map import touch_map, touched

MISSED_WORDS = {
    "skip": marked("What the sky passes meanwhile is, as a rule, left out of the picture."),
    "blank": marked("What the sky passes meanwhile stays, as a rule, blank on the paper."),
    "replay": marked("What the sky passes meanwhile is, as a rule, printed late."),
    "replay-within": marked("The newest of what the sky passes meanwhile is, as a rule, printed late."),
    "shift": marked("All that follows is printed later by as long as it stands."),
}
WHILE_IT_STANDS = marked("That is the plan. While the machine stands still it may come later, or not at all.")
MISSED_BY_CAUSE = marked("What becomes of what the sky passes meanwhile depends on what held it up.")


@dataclass(frozen=True)
class TurnUnderWay:
    """The turn that is on its way: when it began and closes, in words, and how much of it has passed."""

    begins: str
    closes: str
    percent: int


@dataclass(frozen=True)
class Visit:
    """A machine as its visitors see it.

    Attributes:
        title: of what is printed; the machine's name where nothing is.
        clock: whose time is told.
        says: how it is, in sentences, the shortest first.
        is_well: whether all is as it should be.
        plan_only: what to add to an answer about a place where it is not; empty where it is.
        mark: what the marks in the picture of the turn are; empty where there are none.
    """

    station: Station
    title: str
    venue: str
    time: str
    clock: str
    says: tuple[str, ...]
    is_well: bool
    plan_only: str
    turn: TurnUnderWay | None
    mark: str


@require_safe
@never_cache
@spoken
@with_own_clock
def now(request: HttpRequest, machine: str) -> HttpResponse:
    """The page, with an answer where a place is asked for; with ``?wall`` as large as a projector's picture, and with
    nothing to press."""
    asked = touched(request.GET)
    if asked is not None:
        return redirect(f"{request.path}?{asked.urlencode()}#answer")
    return render(request, "console/now.html", _context(request, machine) | {"is_wall": "wall" in request.GET})


@require_safe
@never_cache
@unless_the_same
@spoken
def fragment(request: HttpRequest, machine: str) -> HttpResponse:
    """What changes on that page."""
    return render(request, "console/_now.html", _context(request, machine))


def _context(request: HttpRequest, id: str) -> dict[str, Any]:
    context = machine_context(get_object_or_404(Machine, pk=id, retired_at=None), wiring.now())
    question, own = question_asked(context), own_clock(request)
    asked = place_asked(request.GET, own.zone)
    answered = None if question is None else reply(context, question, asked, own)
    return {
        "visit": visit(context),
        "question": question,
        "asked": asked,
        "own": own,
        "yours": own.beside(context.venue.zone).zone,
        "reply": answered,
        "touch": touch_map(answered.where.longitude) if answered and question and question.by_name else None,
        "address": reverse("now-fragment", args=[id]) + (f"?{asked.query}" if asked.query else ""),
    }


def visit(context: MachineContext) -> Visit:
    """A machine at an instant."""
    machine, venue, now, shown = context.machine, context.venue, context.now, station(context)
    run = None if shown.printing is None else shown.printing.run
    trouble = _trouble(context, shown)
    says = trouble.says if trouble else (_said(machine, run, venue.zone, now),)
    return Visit(
        station=shown,
        title=machine.name if shown.printing is None else shown.printing.source,
        venue=venue.name,
        time=formatting.clock_time(now, venue.zone),
        clock=f"{venue.zone}, {formatting.offset(now, venue.zone)}",
        says=says,
        is_well=trouble is None,
        plan_only=trouble.plan_only if trouble else "",
        turn=_turn(context, run, shown.printing),
        mark=_mark(shown),
    )


@dataclass(frozen=True)
class _Trouble:
    """What is not as it should be, and what to add to an answer about a place because of it."""

    says: tuple[str, ...]
    plan_only: str


def _trouble(context: MachineContext, shown: Station) -> _Trouble | None:
    """What keeps the machine from printing as planned, as far as is known."""
    printing = shown.printing
    if printing is None or printing.due is None:
        return None
    machine, run, zone = context.machine, printing.run, context.venue.zone
    if shown.kind == "no-node" or context.heard_at is None:
        said = _("It is to be printed here, but the machine has not been started yet.")
        return _Trouble((said,), _("That is the plan, once the machine has been started."))
    if shown.kind == "ended" and machine.stopped_at is not None:
        when = formatting.moment(machine.stopped_at, zone)
        said = _("The machine stands still: it was switched off in order at {when}.").format(when=when)
        return _Trouble((said, _missed(run)), _(WHILE_IT_STANDS))
    if shown.kind == "silent" and machine.silent_since is not None:
        when = formatting.moment(machine.silent_since, zone)
        said = _("No word has come from the machine since {when}.").format(when=when)
        more = _("It may be printing on: look at it. What is shown here is where it should be.")
        return _Trouble((said, more), _("That is the plan; how the machine is now is not known here."))
    if shown.kind == "held":
        return _Trouble((_(HOLD_WORDS[machine.hold].to_visitors), _missed(run)), _(WHILE_IT_STANDS))
    if shown.kind == "recess":
        said = _("Nothing is printed now: it is {state}.").format(state=shown.state)
        more = _("That is the plan; what is due while it is held may come later, or not.")
        return _Trouble((said, _missed(run)), more)
    if shown.kind == "late" and printing.head is not None:
        said = _("It is being printed late: the head is at {head}, the sky at {sky}.")
        said = said.format(head=printing.head.means, sky=printing.due.means)
        return _Trouble((said,), _("That is the plan; the machine is behind it now, so it may come later."))
    return None


def _missed(run: Run) -> str:
    """What becomes of what is not printed in time, unless the studio decides otherwise."""
    kinds = {rule.kind for _, rule in run_policy(run).rules()}
    return _(MISSED_WORDS[kinds.pop()] if len(kinds) == 1 else MISSED_BY_CAUSE)


def _said(machine: Machine, run: Run | None, zone: str, now: datetime) -> str:
    """What is printed, where nothing is wrong."""
    if run is None:
        last = runs_standing(machine.id).filter(ends_at__lte=now).order_by("ends_at", "id").last()
        if last is None:
            return _("Nothing has been printed here yet.")
        # It may have been closed into an archive since; the run still says its id.
        title = Source.objects.filter(id=last.source_id).values_list("name", flat=True).first() or last.source_id
        said = _("Nothing is being printed now. {picture} was printed here until {when}.")
        return said.format(picture=title, when=formatting.moment(last.ends_at, zone))
    if now < run.starts_at:
        return _("It will be printed here, from {when}.").format(when=formatting.moment(run.starts_at, zone))
    if run.ends_at <= now:
        return _("It was printed here until {when}.").format(when=formatting.moment(run.ends_at, zone))
    return _("It is being printed now.")


def _turn(context: MachineContext, run: Run | None, printing: CurrentPrint | None) -> TurnUnderWay | None:
    """The turn that the sky is in, cut to the run; None before it and after it."""
    if run is None or printing is None or printing.due is None:
        return None
    columns, zone, now = context.model.columns_per_turn, context.venue.zone, context.now
    first = printing.due.column // columns * columns
    edges = [max(first, run.first_column), min(first + columns, run.end_column)]
    begins, closes = (utc(float(instant)) for instant in run_instants(run, edges, context.timeline(run)))
    percent = round(100 * ((now - begins) / (closes - begins)))
    return TurnUnderWay(formatting.moment(begins, zone), formatting.moment(closes, zone), max(0, min(100, percent)))


def _mark(shown: Station) -> str:
    if shown.printing is None or shown.printing.due is None:
        return ""
    if shown.printing.head is not None:
        said = _("The line: where the sky is now, {place}. The broken line: where the head is.")
    elif shown.is_printing:
        said = _("The line: where the head is now, {place}.")
    else:
        said = _("The line: where the head belongs now, {place}.")
    return said.format(place=shown.printing.due.means)
