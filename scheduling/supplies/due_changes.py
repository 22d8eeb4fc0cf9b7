"""Which roll, cartridge or blade is to be changed soon, and when: what is due for whoever comes with hands."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from datetime import datetime, timedelta

from scheduling.planning.service_windows import ServiceSpan
from scheduling.queries.venue_context import VenueContext
from scheduling.supplies.change_dates import Consumable
from scheduling.supplies.forecast import End, Forecast, end_at

# Keywords of the machine (RFC 8011, PWG 5100) that ask for a change at once.
_ASK_FOR: dict[str, Consumable] = {
    "media-empty": "roll",
    "marker-supply-empty": "cartridge",
    "separation-cutter-life-over": "blade",
}
_HAVE_AT_HAND = ("media-low", "marker-supply-low", "separation-cutter-life-almost-over")


@dataclass(frozen=True, kw_only=True)
class DueChange:
    """A part that is to be changed soon.

    Attributes:
        part: which.
        end: where it ends, and in which service window it is to be changed.
        at: when it is to be changed, UTC: as its service window begins, or by when where there is none.
    """

    part: Consumable
    end: End
    at: datetime

    @property
    def window(self) -> tuple[ServiceSpan, datetime] | None:
        """The service window, and until when it can be done in it, UTC; None where it is changed in none."""
        window, until = self.end.change.window, self.end.change.until
        return None if window is None or until is None else (window, until)


@dataclass(frozen=True, kw_only=True)
class ChangesAhead:
    """What is to be changed at a machine.

    Attributes:
        due: soon, in order of time.
        later: the other parts, each with when it ends by count, UTC; None where it lasts to the end of the run.
    """

    due: tuple[DueChange, ...]
    later: tuple[tuple[Consumable, datetime | None], ...]


def changes_ahead(forecast: Forecast, there: VenueContext, now: datetime, within: timedelta) -> ChangesAhead:
    """What is to be changed at a machine, by its forecast.

    Args:
        forecast: which may be of a while ago; in which window a part is changed is looked up anew.
        there: where the machine stands.
        now: this instant, UTC.
        within: how soon a part has to end to be due.
    """
    due: list[DueChange] = []
    later: list[tuple[Consumable, datetime | None]] = []
    for part, end in part_ends(forecast):
        if end is None or end.at - now > within:
            later.append((part, None if end is None else end.at))
            continue
        fresh = end_at(there, part, end.turn, end.column, end.at, now)
        window = fresh.change.window
        due.append(DueChange(part=part, end=fresh, at=fresh.at if window is None else window.starts_at))
    return ChangesAhead(due=tuple(sorted(due, key=lambda one: one.at)), later=tuple(later))


def part_ends(forecast: Forecast) -> Iterator[tuple[Consumable, End | None]]:
    """Each part of a machine that has a run, with where it ends within that; None where it lasts."""
    if forecast.run is None:
        return
    yield "roll", forecast.run.roll_ends
    if forecast.cartridge is not None:
        yield "cartridge", forecast.run.cartridge_ends
    if forecast.blade is not None:
        yield "blade", forecast.run.blade_ends


def part_asked_for(keyword: str) -> Consumable | None:
    """The part that a condition of a machine asks to be changed at once; None where it asks for none."""
    return next((part for start, part in _ASK_FOR.items() if keyword.startswith(start)), None)


def wants_part_at_hand(keyword: str) -> bool:
    """Whether a condition of a machine says only that a part will be wanted soon."""
    return keyword.startswith(_HAVE_AT_HAND)
