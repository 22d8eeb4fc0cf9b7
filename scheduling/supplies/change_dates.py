"""In which service window a roll, a cartridge or a blade is to be changed: the last that begins before it ends.

A service may be moved earlier, but never past the end of the supply.
"""

from __future__ import annotations

from dataclasses import dataclass
from datetime import datetime, timedelta
from typing import Literal
from zoneinfo import ZoneInfo

from scheduling.planning.service_windows import ServiceSpan, last_before
from scheduling.queries.venue_context import VenueContext
from scheduling.venues.local_time_text import span_in_words
from scheduling.venues.service_windows import windows_of

Consumable = Literal["roll", "cartridge", "blade"]
# How far beyond an end it is looked for the window that would have been the next.
LOOK_AHEAD = timedelta(days=92)
NEAR = timedelta(days=28)


@dataclass(frozen=True, kw_only=True)
class Change:
    """When a part is to be changed.

    Attributes:
        window: the last service window that begins before the part ends, whole; None where none does.
        until: the latest that it can be done in it, UTC: its end, or the part's where that comes first; None likewise.
        in_words: by the venue's clock; where there is no window, that there is none, and which is the next.
    """

    window: ServiceSpan | None
    until: datetime | None
    in_words: str


def change_before(there: VenueContext, part: Consumable, after: datetime, end: datetime) -> Change:
    """When a part that ends at an instant is to be changed.

    Args:
        there: where the machine stands.
        part: which.
        after: windows that are over by then, UTC, do not count; it may be later than the end of a part that is overdue.
        end: of the part, UTC.
    """
    clock = there.clock
    window = _last(there, after, end)
    if window is None:
        said = f"no service window before the {part} ends {_span(end, end, clock)}: {_next(there, max(after, end))}"
        return Change(window=None, until=None, in_words=said)
    until = min(window.ends_at, end)
    said = f"in {window.name}, {_span(window.starts_at, until, clock)}"
    if until < window.ends_at:
        said += f", when the {part} ends"
    return Change(window=window, until=until, in_words=said)


def _last(there: VenueContext, after: datetime, end: datetime) -> ServiceSpan | None:
    """The window that is in time; looked for near the end first, as most come every week and an end may be years on."""
    near = max(after, end - NEAR)
    window = last_before(windows_of(there, near, end), end)
    if near > after and (window is None or window.starts_at < near):
        window = last_before(windows_of(there, after, end), end)
    return window


def _next(there: VenueContext, after: datetime) -> str:
    """The window that comes too late."""
    found = windows_of(there, after, after + LOOK_AHEAD)
    if not found:
        return f"none is fixed at {there.venue.name} within {LOOK_AHEAD.days} days after that"
    return f"the next is {found[0].name}, {_span(found[0].starts_at, found[0].ends_at, there.clock)}"


def _span(begins: datetime, ends: datetime, clock: ZoneInfo) -> str:
    return span_in_words(begins, ends, clock, lambda local: f"{local:%Y-%m-%d}")
