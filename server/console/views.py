"""The pages. Reading is open to whoever reaches the server; changing something needs a signed-in person."""

from __future__ import annotations

import hashlib
from collections.abc import Callable
from functools import partial
from typing import Any

from django.http import Http404, HttpRequest, HttpResponse, HttpResponseBase
from django.shortcuts import get_object_or_404, render
from django.utils.cache import get_conditional_response
from django.views.decorators.cache import never_cache
from django.views.decorators.http import require_safe

from machines.errors import InputError
from machines.model.profile import Profile
from scheduling.log.models import Machine, Run
from scheduling.queries.runs import machine_profile
from scheduling.rendering.plate_store import PlateGone
from server import wiring
from server.accounts.people import standing_of
from server.console import pictures
from server.console.days_span import DAYS
from server.console.fragments import unless_the_same
from server.console.overview import overview
from server.console.own_clock import own_clock, with_own_clock
from server.console.paper_in_time import paper_in_time
from server.console.run_tile import run_tile
from server.console.season import season
from server.console.season_moves import Moves
from server.console.season_span import season_span
from server.console.strip_scale import strip_paper
from server.console.wall import Chosen
from server.console.world_map import land_path

FOR_EVER = "public, max-age=31536000, immutable"
# Of a season, months, besides the one that an address names.
LENGTHS = (1, 3, 6, 12, 24)
# The model of the machine may be changed meanwhile, and with it how its paper is drawn.
FOR_A_WHILE = "public, max-age=3600"


def _context(request: HttpRequest) -> dict[str, Any]:
    chosen = Chosen(request.GET.get("show", ""), request.GET.get("venue", ""))
    return {"overview": overview(wiring.now(), chosen), "land": land_path}


@require_safe
@never_cache
def console(request: HttpRequest) -> HttpResponse:
    """Every venue, its machines and its openings, at this moment."""
    return render(request, "console/console.html", _context(request))


@require_safe
@never_cache
@unless_the_same
def fragment(request: HttpRequest) -> HttpResponse:
    """What changes on that page."""
    return render(request, "console/_overview.html", _context(request))


@require_safe
@never_cache
@with_own_clock
def season_page(request: HttpRequest) -> HttpResponse:
    """All machines and openings over months."""
    now, own, wrong = wiring.now(), own_clock(request), None
    first, months = request.GET.get("from", ""), request.GET.get("months", "")
    try:
        span = season_span(first, months, now)
    except InputError as error:
        span, wrong = season_span("", "", now), error
    lengths = sorted({*LENGTHS, span.months})
    page = {
        "season": season(span, Moves(now, standing_of(request.user)), own),
        "wrong": wrong,
        "first": first or span.said,
        "lengths": lengths,
        "own": own,
    }
    return render(request, "console/season.html", page)


@require_safe
@never_cache
@with_own_clock
def paper_page(request: HttpRequest, machine: str) -> HttpResponse:
    """Some days of a machine's paper, past or to come."""
    row, now, own, wrong = get_object_or_404(Machine, pk=machine), wiring.now(), own_clock(request), None
    first, days = request.GET.get("from", ""), request.GET.get("days", "")
    try:
        paper = paper_in_time(row, first, days, now, own)
    except InputError as error:
        paper, wrong = paper_in_time(row, "", "", now, own), error
    first = first or paper.span.first.isoformat()
    page = {"paper": paper, "wrong": wrong, "first": first, "lengths": DAYS, "own": own}
    return render(request, "console/paper_in_time.html", page)


@require_safe
def plate_picture(request: HttpRequest, machine: str, digest: str) -> HttpResponseBase:
    """A plate as a viewer in front of the machine sees it."""
    row = get_object_or_404(Machine, pk=machine)
    profile = machine_profile(profile=row.profile_id)
    try:
        png = pictures.plate_picture(digest, pictures.height_px(profile), profile.travel == "right")
    except PlateGone:
        raise Http404(f"There is no plate {digest}.") from None
    return _picture(request, png, FOR_EVER)


@require_safe
def tile_picture(request: HttpRequest, run: str) -> HttpResponseBase:
    """The first turn of a run, small; its address names the revision of the run."""
    try:
        png = run_tile(get_object_or_404(Run.objects.select_related("machine", "source"), pk=run))
    except InputError as error:
        raise Http404(str(error)) from None
    return _picture(request, png, FOR_A_WHILE)


@require_safe
def paper_picture(request: HttpRequest, machine: str) -> HttpResponseBase:
    """The last turn's length of a machine's paper."""
    return _paper(request, machine, pictures.last_turn)


@require_safe
def strip_picture(request: HttpRequest, machine: str, width_px: int) -> HttpResponseBase:
    """As much of a machine's paper as its strip shows."""
    return _paper(request, machine, partial(strip_paper, width_px=width_px))


def _paper(request: HttpRequest, machine: str, wanted: Callable[[Profile], pictures.Paper]) -> HttpResponseBase:
    row = get_object_or_404(Machine, pk=machine)
    try:
        paper = pictures.paper_picture(row, wanted)
    except PlateGone as error:
        raise Http404(f"The plate {error.digest} is gone.") from None
    if paper is None:
        raise Http404("Nothing has been printed yet.")
    # Under the address of its newest report it is asked for once: the next report's is under another.
    is_newest = request.GET.get("v") == str(paper.version)
    return _picture(request, paper.png, FOR_A_WHILE if is_newest else "public, no-cache")


def _picture(request: HttpRequest, png: bytes, cache_control: str) -> HttpResponseBase:
    etag = f'"{hashlib.sha256(png).hexdigest()}"'
    headers = {"ETag": etag, "Cache-Control": cache_control}
    response = HttpResponse(png, content_type="image/png", headers=headers)
    return get_conditional_response(request, etag=etag, response=response) or response
