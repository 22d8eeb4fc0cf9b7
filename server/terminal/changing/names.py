"""What the API has a list of, as it is named at the terminal, and by which clock its times are said."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, fields
from typing import Any, cast
from zoneinfo import ZoneInfo

from django.urls import URLPattern, URLResolver, get_resolver

from machines.errors import DayrollError
from scheduling.log.models import Machine, Venue
from scheduling.sky.zones import zone
from server.api.conditional import Replaced
from server.api.resource import Resource
from server.api.resources import RESOURCES

CHANGEABLE = {one.name: one for one in RESOURCES if one.changeable is not None}
ADDED = {one.name: one for one in RESOURCES if one.command is not None or one.many is not None}


@dataclass(frozen=True)
class Kept:
    """What is kept of one thing as a whole, such as a venue's hours.

    Attributes:
        of: the name of the list that the thing is in.
        part: the last of its address.
        has_preview: whether the API tells beforehand what setting it would do.
        has_reason: whether a reason is kept with it.
    """

    of: str
    part: str
    has_preview: bool
    has_reason: bool

    def address(self, id: str) -> str:
        """Of what is kept of one thing."""
        return f"{resource_named(self.of).plural}/{id}/{self.part}"


def kept() -> dict[str, Kept]:
    """All that is kept so, by name."""
    found, api = {}, cast("URLResolver", get_resolver("server.urls").url_patterns[0])
    for route in cast("list[URLPattern]", api.url_patterns):
        view: Any = getattr(route.callback, "cls", None)
        if view is not None and issubclass(view, Replaced):
            of, _, part = str(route.name).partition("-")
            if not part or of == "person":  # `dayroll told` and `dayroll calendar` set what is of people
                continue
            has_reason = any(one.name == "reason" for one in fields(view.reads))
            found[part] = Kept(of, part, "preview" in view.ordered_with, has_reason)
    return found


def resource_named(text: str) -> Resource:
    """The resource of a name, of one or of many.

    Raises:
        DayrollError: there is none of that name.
    """
    for one in RESOURCES:
        if text in (one.name, one.plural):
            return one
    raise DayrollError(f"there is no list of {text!r}", f"give one of: {', '.join(one.plural for one in RESOURCES)}")


def clocks() -> Callable[[Any], ZoneInfo | None]:
    """What finds the clock of a row of the API: of the one venue that it belongs to, else none. The venues are read
    once."""
    zones = dict(Venue.objects.values_list("id", "zone"))
    venues = dict(Machine.objects.values_list("id", "venue_id"))

    def clock_of(row: Any) -> ZoneInfo | None:
        several = row.get("venues", [])
        alone = several[0] if isinstance(several, list) and len(several) == 1 else None
        venue = row.get("venue") or venues.get(str(row.get("machine"))) or alone
        name = zones.get(str(venue)) or (row.get("zone") if "latitude_degrees" in row else None)
        return None if name is None else zone(name)

    return clock_of
