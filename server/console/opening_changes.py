"""The openings on the pages: which there are, moving one or naming it otherwise, calling it off, taking that back.

What would follow is shown first. What somebody else changed between the looking and the keeping is shown again.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass, replace
from datetime import datetime
from typing import Any

from django import forms
from django.contrib import messages
from django.contrib.auth import get_user_model
from django.http import HttpRequest, HttpResponse
from django.shortcuts import get_object_or_404, redirect, render
from django.views.decorators.cache import never_cache
from django.views.decorators.http import require_http_methods, require_safe

from machines.errors import InputError
from scheduling.commands.changes import Change, make
from scheduling.commands.idempotency import digest_of
from scheduling.commands.openings import (
    SHOWN,
    as_ordered,
    call_off_opening,
    change_opening,
    take_back_opening,
)
from scheduling.log.models import Opening, OpeningSeries, Venue
from scheduling.log.store import VersionConflict, stream_version
from scheduling.queries.history import HistoryStep, history
from server import wiring
from server.console import formatting
from server.console.author import author, for_givers_of
from server.console.forms import AS_IT_IS, ChangeOpeningForm, ReasonForm
from server.console.instants import CLOCK
from server.console.overview import everywhere

MEANWHILE = "Somebody else changed it meanwhile. Below is how it stands now; look at it, then say it once more."
OTHERWISE = "By now something else would follow. Look at it below, then say it once more."
OPENINGS_BACK = 30
# How the history calls what was changed.
FIELDS = {"name": "the name", "anchor": "how its time is named", "opens_at": "when it opens", "closes_at": "its end"}


@dataclass(frozen=True)
class ListedOpening:
    """An opening in the list; ``state`` is empty while it is to come, ``series`` where it is of none, by its id."""

    id: str
    name: str
    venue: str
    when: str
    state: str
    series: str
    on_its_own: bool


@dataclass(frozen=True)
class ListedSeries:
    """A series in the list, with its openings to come."""

    id: str
    name: str
    openings: tuple[ListedOpening, ...]


@require_safe
@never_cache
def listed(request: HttpRequest) -> HttpResponse:
    """Every opening to come, and the newest of those that have been or were called off; none of a venue that was closed
    into an archive."""
    now, venues = wiring.now(), {venue.id: venue for venue in Venue.objects.all()}
    rows = sorted(Opening.objects.filter(venue_id__in=venues), key=lambda row: (row.opens_at, row.id))
    names = dict(OpeningSeries.objects.values_list("id", "name"))
    coming = [_listed(row, venues, now) for row in rows if row.opens_at > now and row.called_off_at is None]
    over = [row for row in reversed(rows) if row.opens_at <= now or row.called_off_at is not None]
    gone = [_listed(row, venues, now) for row in over[:OPENINGS_BACK]]
    return render(request, "console/openings.html", {"coming": list(_grouped(coming, names)), "gone": gone})


def _grouped(coming: Sequence[ListedOpening], names: dict[str, str]) -> Iterator[ListedOpening | ListedSeries]:
    """Those of a series together, where the first of them stands."""
    of_series: dict[str, list[ListedOpening]] = {}
    for one in coming:
        of_series.setdefault(one.series, []).append(one)
    for one in coming:
        if not one.series:
            yield one
        elif of_series[one.series][0] is one:
            yield ListedSeries(one.series, names.get(one.series, one.series), tuple(of_series[one.series]))


def _listed(row: Opening, venues: dict[str, Venue], now: datetime) -> ListedOpening:
    venue = venues[row.venue_id]
    state = "called off" if row.called_off_at else "has been" if row.opens_at <= now else ""
    when = f"{formatting.moment(row.opens_at, venue.zone)}, {venue.zone}"
    return ListedOpening(row.id, row.name, venue.name, when, state, row.series or "", row.on_its_own)


@for_givers_of(change_opening)
@never_cache
@require_http_methods(["GET", "HEAD", "POST"])
def change(request: HttpRequest, opening: str) -> HttpResponse:
    """How it stands; once it is said how it is to be, what would follow; once that very thing is kept, it is so."""
    version = stream_version(f"opening/{opening}")  # read first: whoever changes it from here on is noticed
    row = get_object_or_404(Opening, pk=opening)
    by = author(request, change_opening, row.venue_id)
    venue = get_object_or_404(Venue, pk=row.venue_id)
    moved = {"by": CLOCK, "civil": request.GET["civil"]} if "civil" in request.GET else {}  # on the season
    form = ChangeOpeningForm(request.POST or None, initial={"name": row.name, **moved})
    page: dict[str, Any] = {"form": form, "version": version, **_as_it_stands(row, venue)}
    if request.method == "POST" and form.is_valid() and _is_as_seen(form, version):
        try:
            cleaned = form.cleaned_data
            anchor = row.anchor if cleaned["by"] == AS_IT_IS else form.anchor(venue.zone)
            command = replace(as_ordered(row), name=cleaned["name"], anchor=anchor)
            worked_out = change_opening(row, command, by.said_at, version)
            seen = digest_of(worked_out.preview)
            if request.POST.get("keep") == seen:
                make(worked_out, cleaned["reason"] or None, by, wiring.chance(), accepted=True)
                messages.success(request, f"{command.name} is as you said.")
                return redirect("openings")
            at = row.opens_at if worked_out.event is None else worked_out.event.opens_at
            page |= {"preview": worked_out.preview, "seen": seen, **_times(at, venue)}
        except InputError as error:
            page["readings"] = form.refuse(error)
        except VersionConflict:
            form.add_error(None, MEANWHILE)
    return render(request, "console/change_opening.html", page)


@for_givers_of(call_off_opening)
@never_cache
@require_http_methods(["GET", "HEAD", "POST"])
def off(request: HttpRequest, opening: str) -> HttpResponse:
    """What calling it off means; then it is called off."""
    return _act(request, opening, call_off_opening, "Call off", "is called off")


@for_givers_of(take_back_opening)
@never_cache
@require_http_methods(["GET", "HEAD", "POST"])
def back(request: HttpRequest, opening: str) -> HttpResponse:
    """What it means that it takes place after all; then it does."""
    return _act(request, opening, take_back_opening, "Let stand again", "takes place after all")


def _act(request: HttpRequest, opening: str, act: Callable[..., Change], verb: str, done: str) -> HttpResponse:
    version = stream_version(f"opening/{opening}")
    row = get_object_or_404(Opening, pk=opening)
    by = author(request, act, row.venue_id)
    venue = get_object_or_404(Venue, pk=row.venue_id)
    form = ReasonForm(request.POST or None)
    page: dict[str, Any] = {"form": form, "version": version, "verb": verb}
    try:
        worked_out = act(row, by.said_at, version)
        seen = digest_of(worked_out.preview)
        page |= {"preview": worked_out.preview, "seen": seen}
        if (
            request.method == "POST"
            and form.is_valid()
            and _is_as_seen(form, version, request.POST.get("seen") == seen)
        ):
            make(worked_out, form.cleaned_data["reason"] or None, by, wiring.chance(), accepted=True)
            messages.success(request, f"{row.name} {done}.")
            return redirect("openings")
    except InputError as error:
        page["refused"] = error.said
    except VersionConflict:
        form.add_error(None, MEANWHILE)
    return render(request, "console/act_on_opening.html", page | _as_it_stands(row, venue))


def _is_as_seen(form: forms.Form, version: int, means_the_same: bool = True) -> bool:
    """Whether it still stands as it stood on the page that the person looked at, and would mean the same."""
    if form.cleaned_data["version"] != version:
        form.add_error(None, MEANWHILE)
    elif not means_the_same:
        form.add_error(None, OTHERWISE)
    else:
        return True
    return False


def _as_it_stands(row: Opening, venue: Venue) -> dict[str, Any]:
    steps = history(Opening, f"opening/{row.id}", SHOWN)
    return {
        "opening": row,
        "venue": venue,
        "when": formatting.moment(row.opens_at, venue.zone),
        "how": "" if "civil" in row.anchor else formatting.anchor(row.anchor),
        "steps": [_step(one, venue) for one in reversed(steps)],
    }


def _step(step: HistoryStep, venue: Venue) -> dict[str, Any]:
    """What was done, when, by whom and why."""
    fields = {one.field: one for one in step.fields}
    if step.version == 1:
        did = "Fixed"
    elif "called_off_at" in fields:
        did = "Called off" if fields["called_off_at"].after else "Taken back"
    else:
        did = f"Changed {' and '.join(FIELDS[name] for name in FIELDS if name in fields)}"
    return {
        "did": did,
        "when": f"{formatting.moment(step.said_at, venue.zone)}, {venue.zone}",
        "by": _person(step.actor),
        "why": step.reason or "",
    }


def _person(actor: str) -> str:
    """Who said it, as people know them: an account by its name, all else by what the log calls it."""
    kind, _, id = actor.partition(":")
    found = get_user_model().objects.filter(pk=id).first() if kind == "user" and id.isdecimal() else None
    return actor if found is None else found.get_username()


def _times(at: datetime, venue: Venue) -> dict[str, Any]:
    return {"times": everywhere(at, venue.id, list(Venue.objects.filter(retired_at=None).order_by("name", "id")))}
