"""What the API has a list of, as it is named at the terminal, and by which clock its times are said."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any
from zoneinfo import ZoneInfo

from machines.errors import DayrollError
from scheduling.log.models import Machine, Venue
from scheduling.sky.zones import zone
from server.api.resources import RESOURCES, Resource

CHANGEABLE = {one.name: one for one in RESOURCES if one.changeable is not None}
ADDED = {one.name: one for one in RESOURCES if one.command is not None or one.many is not None}


def plural(resource: Resource) -> str:
    """Of its name: where its list stands below the API's address."""
    return resource.name if resource.name.endswith("series") else f"{resource.name}s"


def resource_named(text: str) -> Resource:
    """The resource of a name, of one or of many.

    Raises:
        DayrollError: there is none of that name.
    """
    for one in RESOURCES:
        if text in (one.name, plural(one)):
            return one
    raise DayrollError(f"there is no list of {text!r}", f"give one of: {', '.join(map(plural, RESOURCES))}")


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
