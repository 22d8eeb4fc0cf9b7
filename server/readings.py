"""What a local time or an event may mean where it has two readings or none."""

from __future__ import annotations

from scheduling.sky.anchors import CivilTimeError, SeveralEventsError
from scheduling.sky.civil import Reading


def readings_in_words(error: Exception) -> list[dict[str, str]]:
    """The same for people: ``which``, and as what it would be ``said``."""
    return [{"which": one.which, "said": f"{one.at:%Y-%m-%d %H:%M %Z} ({one.at:%z})"} for one in readings_of(error)]


def readings_of(error: Exception) -> tuple[Reading, ...]:
    """The readings that an error offers, itself or as what it was raised from; none for any other error."""
    for one in (error, error.__cause__):
        if isinstance(one, CivilTimeError | SeveralEventsError):
            return one.readings
    return ()
