"""What a local time or an event may mean where it has two readings or none."""

from __future__ import annotations

from scheduling.sky.anchors import CivilTimeError, SeveralEventsError
from scheduling.sky.civil import Reading


def readings_of(error: Exception) -> tuple[Reading, ...]:
    """The readings that an error offers, itself or as what it was raised from; none for any other error."""
    for one in (error, error.__cause__):
        if isinstance(one, CivilTimeError | SeveralEventsError):
            return one.readings
    return ()
