"""The reader's own clock beside a venue's: a zone that they chose on a page.

A choice is kept in a cookie, and is in the address: it works without a script, and whoever is sent the address sees the
same. Where a script runs, the zone of the browser is put into the choice before anybody chose.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from datetime import datetime
from functools import cache, wraps
from itertools import groupby
from typing import Concatenate, ParamSpec

from django.conf import settings
from django.http import HttpRequest, HttpResponse
from django.utils.cache import patch_vary_headers

from scheduling.sky.zones import zone_names, zones_of_countries
from server.console import formatting

Rest = ParamSpec("Rest")
PageView = Callable[Concatenate[HttpRequest, Rest], HttpResponse]
CHOSEN = "zone"
UTC = "UTC"


@dataclass(frozen=True)
class Region:
    """Zones that are listed together, each with its name in the database and how it is shown."""

    name: str
    zones: tuple[tuple[str, str], ...]


@dataclass(frozen=True)
class OwnClock:
    """By which clock somebody reads, besides a venue's.

    Attributes:
        zone: of the IANA database; empty where none was chosen.
        unknown: what was asked for and is none; empty where it is one.
    """

    zone: str = ""
    unknown: str = ""

    @property
    def regions(self) -> tuple[Region, ...]:
        """What can be chosen; a zone that was chosen by its address alone stands first."""
        listed = _regions()
        if not self.zone or any(self.zone == zone for region in listed for zone, _ in region.zones):
            return listed
        return (Region(UTC, ((self.zone, self.zone),)), *listed)

    def beside(self, *zones: str) -> OwnClock:
        """The same where times by some zones are told, too: none where it is one of them."""
        return NO_CLOCK if self.zone in zones else self

    def span(self, begins: datetime, ends: datetime) -> str:
        """From when to when by it; empty where none was chosen."""
        return formatting.span(begins, ends, self.zone) if self.zone else ""

    def moment(self, at: datetime) -> str:
        """A time with its date by it; empty where none was chosen."""
        return formatting.moment(at, self.zone) if self.zone else ""


NO_CLOCK = OwnClock()


def with_own_clock(view: PageView[Rest]) -> PageView[Rest]:
    """A page that tells times by the reader's own clock, too, which the view finds by `own_clock`; what was chosen in
    its address is kept."""

    @wraps(view)
    def asked(request: HttpRequest, /, *args: Rest.args, **kwargs: Rest.kwargs) -> HttpResponse:
        response, clock = view(request, *args, **kwargs), own_clock(request)
        patch_vary_headers(response, ("Cookie",))
        if CHOSEN in request.GET and not clock.unknown:
            _keep(response, clock.zone)
        return response

    return asked


def own_clock(request: HttpRequest) -> OwnClock:
    """The reader's clock: as the address says, or else as they chose before."""
    said = request.GET.get(CHOSEN)
    if said is None:
        kept = request.COOKIES.get(CHOSEN, "")
        return OwnClock(kept if kept in zone_names() else "")
    return OwnClock(said) if said in zone_names() or not said else OwnClock(unknown=said[:40])


def _keep(response: HttpResponse, zone: str) -> None:
    if not zone:
        response.delete_cookie(CHOSEN)
        return
    response.set_cookie(
        CHOSEN,
        zone,
        max_age=settings.LANGUAGE_COOKIE_AGE,
        secure=settings.SESSION_COOKIE_SECURE,
        httponly=True,
        samesite="Lax",
    )


@cache
def _regions() -> tuple[Region, ...]:
    named = [(zone, *zone.split("/", 1)) for zone in zones_of_countries()]
    regions = groupby(named, key=lambda one: one[1])
    listed = (Region(name, tuple((zone, place.replace("_", " ")) for zone, _, place in of)) for name, of in regions)
    return (Region(UTC, ((UTC, UTC),)), *listed)
