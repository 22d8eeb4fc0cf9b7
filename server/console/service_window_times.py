"""When the service windows of a venue come, in words, and what is to be changed in them."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import date, datetime

from django.utils.translation import gettext as _

from scheduling.log.models import Machine, Venue
from scheduling.log.models import ServiceWindow as Row
from scheduling.log.remarks import text_of
from scheduling.planning.service_windows import ServiceSpan, ServiceWindow
from scheduling.queries.closed_away import machines_in_use
from scheduling.queries.machine_context import machine_contexts
from scheduling.queries.venue_context import VenueContext, venue_context
from scheduling.supplies.change_dates import Consumable
from scheduling.supplies.window_work import work_in_windows
from scheduling.venues.coming_windows import coming_times, times_on, window_now_or_soon, windows_by_time
from scheduling.venues.service_windows import as_planned
from server.console import formatting

# How many of the next times are told.
TIMES_SHOWN = 5


@dataclass(frozen=True)
class Coming:
    """One time that a window comes.

    Attributes:
        when: by the venue's clock.
        until: how long from now, that somebody is there now, or that it is over.
        utc: the same span in UTC.
        work: what is to be changed in it, as it is counted now.
    """

    when: str
    until: str
    utc: str
    work: tuple[str, ...]


@dataclass(frozen=True)
class WindowRow:
    """A window, as the list shows it.

    Attributes:
        how: whether it comes weekly or once, in words.
        next: when it comes next; None where it does not, as far as is looked.
        dates_off: dates to come that are called off.
        off: when it was called off, and why; empty while it stands.
    """

    id: str
    name: str
    how: str
    next: Coming | None
    dates_off: tuple[str, ...]
    off: str


@dataclass(frozen=True)
class Listed:
    """The windows of a venue: those to come, the soonest first; those that come no more or not soon; those called
    off."""

    coming: tuple[WindowRow, ...]
    over: tuple[WindowRow, ...]
    off: tuple[WindowRow, ...]


@dataclass(frozen=True)
class Outlook:
    """A venue at an instant, and what is to be changed there in which of the times that windows come."""

    there: VenueContext
    now: datetime
    work: dict[ServiceSpan, tuple[tuple[Consumable, Machine], ...]]

    def listed(self, *, reasons: bool) -> Listed:
        """Every window of the venue; ``reasons`` are shown to those who are signed in, and not to the street."""
        found = windows_by_time(self.there, self.now)
        return Listed(
            coming=tuple(self._shown(window, soonest) for window, soonest in found.coming),
            over=tuple(map(self._shown, found.over)),
            off=tuple(self._shown(as_planned(row), off=self._off(row, reasons=reasons)) for row in found.off),
        )

    def times(self, window: ServiceWindow) -> tuple[Coming, ...]:
        """The next times that a window comes, the present one included."""
        return tuple(map(self._coming, coming_times(window, self.there.clock, self.now)[:TIMES_SHOWN]))

    def times_on(self, window: ServiceWindow, day: date) -> tuple[Coming, ...]:
        """The times that a window begins on a local date, be they over or not."""
        return tuple(map(self._coming, times_on(window, self.there.clock, day)))

    def _coming(self, span: ServiceSpan) -> Coming:
        zone = self.there.venue.zone
        until = "now" if span.starts_at <= self.now else f"in {formatting.duration(span.starts_at - self.now)}"
        return Coming(
            when=formatting.span(span.starts_at, span.ends_at, zone),
            until="over" if span.ends_at <= self.now else until,
            utc=formatting.span(span.starts_at, span.ends_at, "UTC"),
            work=tuple(f"the {part} of {machine.name}" for part, machine in self.work.get(span, ())),
        )

    def _shown(self, window: ServiceWindow, soonest: ServiceSpan | None = None, off: str = "") -> WindowRow:
        today = self.now.astimezone(self.there.clock).date().isoformat()
        return WindowRow(
            id=window.id,
            name=window.name,
            how=formatting.comes(window.comes),
            next=None if soonest is None else self._coming(soonest),
            dates_off=tuple(formatting.day(date.fromisoformat(one)) for one in window.dates_off if one >= today),
            off=off,
        )

    def _off(self, row: Row, *, reasons: bool) -> str:
        assert row.called_off_at is not None
        why = (row.called_off_because or text_of(row.called_off_remark)) if reasons else ""
        because = f": {why}" if why else ""
        return f"called off on {formatting.date(row.called_off_at, self.there.venue.zone)}{because}"


def next_window(there: VenueContext, now: datetime) -> str:
    """The service window that is now, or the next within four weeks, in a sentence; empty where none is."""
    first, venue = window_now_or_soon(there, now), there.venue
    if first is None:
        return ""
    if first.starts_at <= now:
        until = formatting.moment(first.ends_at, venue.zone)
        return _("Service window now: {name}, until {when}.").format(name=first.name, when=until)
    span = formatting.span(first.starts_at, first.ends_at, venue.zone)
    return _("Next service window: {name}, {span}.").format(name=first.name, span=span)


def outlook(venue: Venue, now: datetime) -> Outlook:
    """A venue at an instant."""
    there = venue_context(venue)
    machines = machines_in_use().filter(venue_id=venue.id).order_by("name", "id")
    return Outlook(there, now, work_in_windows(machine_contexts(machines, now, {venue.id: there})))
