"""What was worked out for a venue as it was read, held against the venue where nobody else can append."""

from __future__ import annotations

from collections.abc import Callable

from machines.errors import InputError
from scheduling.log.models import Venue


def as_read(venue: str) -> Callable[[], None]:
    """What raises an InputError, when it is called later, where the venue's place, zone or use is another by then.

    A venue that is gone was closed into an archive, which is told where the event is written.
    """
    was = _read(venue)

    def recheck() -> None:
        if _read(venue) not in (was, None):
            raise InputError("venue", f"{venue} was changed in this moment", "look at it, and order this again")

    return recheck


def _read(venue: str) -> tuple[object, ...] | None:
    fields = ("latitude_degrees", "longitude_degrees", "elevation_m", "zone", "retired_at")
    return Venue.objects.filter(id=venue).values_list(*fields).first()
