"""When the service windows of a venue come, in words, and what is to be changed in them."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import date, datetime, timedelta

from scheduling.log.models import Machine, Venue
from scheduling.log.models import ServiceWindow as Row
from scheduling.log.remarks import text_of
from scheduling.planning.service_windows import ServiceSpan, ServiceWindow, spans
from scheduling.sky.civil import day_bounds
from scheduling.sky.zones import zone as zone_of
from scheduling.supplies.forecast import coming_changes
from scheduling.venues.service_windows import as_planned, windows_of
from server.console import formatting

# How far ahead it is told when a weekly window comes, of all windows and in a sentence; and how many times are told.
LOOK_AHEAD, SOON = timedelta(days=92), timedelta(days=28)
TIMES_SHOWN = 5
# One that comes once is looked for until shortly after its beginning.
A_MOMENT = timedelta(minutes=1)


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
class Shown:
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

    coming: tuple[Shown, ...]
    over: tuple[Shown, ...]
    off: tuple[Shown, ...]


@dataclass(frozen=True)
class Outlook:
    """A venue at an instant, and what is to be changed there in which of the times that windows come."""

    venue: Venue
    now: datetime
    work: dict[ServiceSpan, tuple[str, ...]]

    def listed(self, *, reasons: bool) -> Listed:
        """Every window of the venue; ``reasons`` are shown to those who are signed in, and not to the street."""
        rows = list(Row.objects.filter(venue_id=self.venue.id).order_by("called_off_at", "name", "id"))
        standing = [as_planned(row) for row in rows if row.called_off_at is None]
        found = [(self._spans(window)[:1], window) for window in standing]
        to_come = sorted(
            ((soonest[0], window) for soonest, window in found if soonest), key=lambda one: one[0].starts_at
        )
        return Listed(
            coming=tuple(self._shown(window, soonest) for soonest, window in to_come),
            over=tuple(self._shown(window) for soonest, window in found if not soonest),
            off=tuple(
                self._shown(as_planned(row), off=self._off(row, reasons=reasons))
                for row in rows
                if row.called_off_at is not None
            ),
        )

    def times(self, window: ServiceWindow) -> tuple[Coming, ...]:
        """The next times that a window comes, the present one included."""
        return tuple(map(self._coming, self._spans(window)[:TIMES_SHOWN]))

    def times_on(self, window: ServiceWindow, day: date) -> tuple[Coming, ...]:
        """The times that a window begins on a local date, be they over or not."""
        begins, ends = day_bounds(day, zone_of(self.venue.zone))
        found = spans([window], zone_of(self.venue.zone), begins, ends)
        return tuple(self._coming(one) for one in found if begins <= one.starts_at)

    def _spans(self, window: ServiceWindow) -> list[ServiceSpan]:
        until = self.now + LOOK_AHEAD if window.begins_at is None else max(self.now, window.begins_at) + A_MOMENT
        return spans([window], zone_of(self.venue.zone), self.now, until)

    def _coming(self, span: ServiceSpan) -> Coming:
        until = "now" if span.starts_at <= self.now else f"in {formatting.duration(span.starts_at - self.now)}"
        return Coming(
            when=formatting.span(span.starts_at, span.ends_at, self.venue.zone),
            until="over" if span.ends_at <= self.now else until,
            utc=formatting.span(span.starts_at, span.ends_at, "UTC"),
            work=self.work.get(span, ()),
        )

    def _shown(self, window: ServiceWindow, soonest: ServiceSpan | None = None, off: str = "") -> Shown:
        today = self.now.astimezone(zone_of(self.venue.zone)).date().isoformat()
        return Shown(
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
        return f"called off on {formatting.date(row.called_off_at, self.venue.zone)}{because}"


def next_window(venue: Venue, now: datetime) -> str:
    """The service window that is now, or the next within four weeks, in a sentence; empty where none is."""
    found = windows_of(venue, now, now + SOON)
    if not found:
        return ""
    first = found[0]
    if first.starts_at <= now:
        return f"Service window now: {first.name}, until {formatting.moment(first.ends_at, venue.zone)}."
    return f"Next service window: {first.name}, {formatting.span(first.starts_at, first.ends_at, venue.zone)}."


def outlook(venue: Venue, now: datetime) -> Outlook:
    """A venue at an instant."""
    work: dict[ServiceSpan, tuple[str, ...]] = {}
    for machine in Machine.objects.filter(venue_id=venue.id).order_by("name", "id"):
        for part, end in coming_changes(machine, now):
            if (span := end.change.window) is not None:
                work[span] = (*work.get(span, ()), f"the {part} of {machine.name}")
    return Outlook(venue, now, work)
