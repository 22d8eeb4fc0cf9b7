"""Today's sheet of a venue: for whoever opens up. What normal looks like, what to do and when, with the cautions.

It needs no account, holds still, and is made to be printed.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import datetime
from typing import Any

from django.http import HttpRequest, HttpResponse
from django.shortcuts import get_object_or_404, render
from django.utils.translation import gettext as _
from django.views.decorators.cache import never_cache
from django.views.decorators.http import require_safe

from machines.model.profile import Profile
from machines.operator.recess_words import CAUTION
from machines.operator.safety_notes import ALWAYS_HOLDS, BESIDE, UNATTENDED_LINES
from scheduling.log.models import Notice, Run, Venue
from scheduling.log.projections.notices import (
    DIFFERED,
    GAP,
    OPENING,
    RUN_NOT_KNOWN,
    SLIP,
    TIME_SET_WRONG,
    WORD_PASSED_OVER,
)
from scheduling.paper.pace import RunPace, pace_of
from scheduling.queries.closed_away import machines_in_use
from scheduling.queries.machine_context import MachineContext, machine_contexts
from scheduling.queries.venue_context import VenueContext, venue_context
from scheduling.sky.civil import day_bounds
from scheduling.venues.quiet import quiet_of
from server import wiring
from server.console import formatting
from server.console.contact_words import Ring, whom_to_ring
from server.console.hours import doors
from server.console.language import spoken
from server.console.machine_card import Station, station
from server.console.panel_place import PanelPlace, panel_place
from server.console.service_window_times import next_window
from server.console.staff_tasks import AHEAD, Step, Task, at_panel, changes, going_on, tasks

# Notices that ask nobody at the venue for anything; the others are tasks.
FOR_THE_STUDIO = (GAP, DIFFERED, SLIP, TIME_SET_WRONG, RUN_NOT_KNOWN, WORD_PASSED_OVER, OPENING)


@dataclass(frozen=True)
class MachineSheet:
    """A machine on the sheet.

    Attributes:
        normal: what it looks like when all is well, each as what and how.
        now, ahead: tasks for today, and for the days after.
        rest: what is known of what need not be changed.
        known: what the studio is told already.
        panel: where its panel is; None where its board did not say.
    """

    station: Station
    normal: tuple[tuple[str, str], ...]
    now: tuple[Task, ...]
    ahead: tuple[Task, ...]
    rest: tuple[str, ...]
    known: tuple[str, ...]
    panel: PanelPlace | None


@dataclass(frozen=True)
class StaffSheet:
    """A venue's sheet.

    Attributes:
        service: which service window is next, in words; empty for none.
        openings: of today and of the days ahead, each with when.
        pausing, resuming: steps that staff may take at any time.
        has_knife: whether any machine here has one.
        contacts: whom to ring, the first to be tried first; none where nobody said.
        alone: what holds for machines that run by themselves: a heading and its points.
    """

    id: str
    venue: str
    date: str
    made: str
    doors: str
    service: str
    openings: tuple[tuple[str, str], ...]
    machines: tuple[MachineSheet, ...]
    pausing: tuple[Step, ...]
    resuming: tuple[Step, ...]
    has_knife: bool
    alone: tuple[str, tuple[str, ...]]
    contacts: tuple[Ring, ...]
    stop: tuple[str, ...]
    blade: tuple[str, ...]
    always: str

    @property
    def waiting(self) -> list[tuple[MachineSheet, Task]]:
        """What waits for somebody today, machine by machine: what the sheet begins with."""
        return [(one, task) for one in self.machines for task in one.now]


@require_safe
@never_cache
@spoken
def today(request: HttpRequest, venue: str) -> HttpResponse:
    """The sheet, as of now."""
    shown: dict[str, Any] = {"sheet": sheet(get_object_or_404(Venue, pk=venue, retired_at=None), wiring.now())}
    return render(request, "console/today.html", shown)


def sheet(venue: Venue, now: datetime) -> StaffSheet:
    """A venue's sheet at an instant."""
    there = venue_context(venue)
    rows = machines_in_use().filter(venue_id=venue.id).order_by("name", "id")
    machines = machine_contexts(rows, now, {venue.id: there})
    told = _told(machines)
    has_knife = any(context.model.knife is not None for context in machines)
    heading, *points = map(_, UNATTENDED_LINES)
    return StaffSheet(
        id=venue.id,
        venue=venue.name,
        date=formatting.date(now, venue.zone),
        made=f"{formatting.moment(now, venue.zone)}, {venue.zone}, {formatting.offset(now, venue.zone)}",
        doors=doors(venue, now),
        service=next_window(there, now),
        openings=_openings(there, now),
        machines=tuple(_machine(context, told[context.machine.id]) for context in machines),
        pausing=(at_panel("pause"),),
        resuming=going_on("paused", has_knife),
        has_knife=has_knife,
        alone=(heading, tuple(points)),
        contacts=whom_to_ring(venue.id),
        stop=tuple(map(_, BESIDE["stop"])),
        blade=tuple(map(_, BESIDE["blade-changed"])),
        always=_(ALWAYS_HOLDS),
    )


def _openings(there: VenueContext, now: datetime) -> tuple[tuple[str, str], ...]:
    venue, begins = there.venue, day_bounds(now.astimezone(there.clock).date(), there.clock)[0]
    today = formatting.date(now, venue.zone)
    return tuple(
        (
            row.name,
            _("opens today at {time}").format(time=formatting.clock_time(row.opens_at, venue.zone))
            if formatting.date(row.opens_at, venue.zone) == today
            else _("opens at {when}").format(when=formatting.moment(row.opens_at, venue.zone)),
        )
        for row in there.openings
        if begins <= row.opens_at < now + AHEAD
    )


def _told(machines: Sequence[MachineContext]) -> dict[str, list[Notice]]:
    """What the studio is told already, by machine, in order of time."""
    told: dict[str, list[Notice]] = {context.machine.id: [] for context in machines}
    notices = Notice.objects.filter(machine_id__in=told, cleared_at=None, kind__in=FOR_THE_STUDIO)
    for row in notices.order_by("raised_at", "id"):
        told[row.machine_id].append(row)
    return told


def _machine(context: MachineContext, notices: Sequence[Notice]) -> MachineSheet:
    shown, clock = station(context), context.at_venue.clock
    run = None if shown.printing is None else shown.printing.run
    waiting = tasks(context, run)
    asked_for = {task.part for task in waiting}
    due, rest = changes(context, run)
    due = tuple(task for task in due if task.part not in asked_for)
    ends = day_bounds(context.now.astimezone(clock).date(), clock)[1]
    return MachineSheet(
        station=shown,
        normal=_normal(shown, context, run),
        now=(*waiting, *(task for task in due if task.due_at is not None and task.due_at < ends)),
        ahead=tuple(task for task in due if task.due_at is not None and task.due_at >= ends),
        rest=rest,
        known=tuple(f"{row.said[0].upper()}{row.said[1:]}." for row in notices),
        panel=panel_place(context),
    )


def _normal(station: Station, context: MachineContext, run: Run | None) -> tuple[tuple[str, str], ...]:
    """What somebody who knows nothing of it sees when all is well."""
    profile = context.model if run is None else context.model_of(run)
    has_quiet = quiet_of(context.venue) is not None
    if context.machine.epoch == 0:
        return ((_("It prints"), _("nothing yet; the studio has still to set it going")),)
    if run is None or station.printing is None:
        return ((_("It prints"), _("nothing; it stands still")),)
    printing = station.printing
    if printing.due is None:
        return (
            (
                _("It prints"),
                _("{picture}: {idle}; until then it stands still").format(picture=printing.source, idle=printing.idle),
            ),
        )
    if station.kind == "recess":
        return (
            (_("It prints"), _("nothing: it is {state}").format(state=station.state)),
            (_("Hands"), _("stay out of it. {caution}").format(caution=_(CAUTION))),
        )
    pace = pace_of(run, profile)
    how = (
        _("in a burst, about every {span}, by {step}; between, it stands")
        if profile.columns_per_burst > 1
        else _("a line at a time, about every {span}, by {step}; between, it stands")
    )
    step, turn = _mm(pace.step_mm), _("{picture}, turn {turn} of {turns}")
    rows = (
        (_("It prints"), turn.format(picture=printing.source, turn=printing.due.turn, turns=printing.turns)),
        (_("Now at"), printing.due.means),
        (_("It moves"), how.format(span=formatting.about(pace.burst_s), step=step)),
        (_("The paper"), _travels(profile.travel, _pace(pace))),
    )
    return (*rows, *_cuts(pace, profile, has_quiet=has_quiet))


def _travels(travel: str, pace: str) -> str:
    said = _("moves to the right, {pace}") if travel == "right" else _("moves to the left, {pace}")
    return said.format(pace=pace)


def _pace(pace: RunPace) -> str:
    if pace.mm_per_hour < 1.0:
        return _("{length} a day").format(length=_mm(pace.mm_per_hour * 24))
    return _("{length} an hour").format(length=_mm(pace.mm_per_hour))


def _mm(length: float) -> str:
    return f"{formatting.two_digits(length)}{formatting.NO_BREAK}mm"


def _cuts(pace: RunPace, profile: Profile, *, has_quiet: bool) -> tuple[tuple[str, str], ...]:
    if profile.knife is None:
        return ((_("The end"), _("is wound up, never cut")),)
    if pace.strip_s is None:
        return ((_("The knife"), _("does not cut in this run")),)
    said = _("armed; a strip falls about every {span}").format(span=formatting.about(pace.strip_s))
    quiet = _("; what ends in quiet hours is not cut: it hangs on, and falls with the next") if has_quiet else ""
    return ((_("The knife"), said + quiet),)
