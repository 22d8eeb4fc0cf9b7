"""A calendar in iCalendar's form: RFC 5545, with properties of RFC 7986."""

from __future__ import annotations

import re
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from datetime import UTC, date, datetime, timedelta

import icalendar

from scheduling.calendar.entries import CalendarEntry, Category

REFRESH = timedelta(hours=1)
# RFC 5545 section 3.1: CONTROL, of which a text has no other than tabs and, escaped, line feeds; and what turns the
# direction of all that follows, which a name of an earlier version may hold.
CONTROL = re.compile(r"[\x00-\x08\x0b-\x1f\x7f\u202a-\u202e\u2066-\u2069]")


def no_alarms(kind: Category) -> Sequence[int]:
    """A calendar that reminds of nothing."""
    return ()


@dataclass(frozen=True, kw_only=True)
class Feed:
    """A calendar as it is written.

    Attributes:
        product: what wrote it, a formal public identifier.
        uid: its own name.
        name: as people read it.
        zone: IANA name, written where there is nothing else in it.
        places: names of venues, by id.
        says_venue: whether titles name the venue, too: that is so where there can be several.
        entries: in order.
        before_min: how long before each entry of a kind it reminds, minutes.
    """

    product: str
    uid: str
    name: str
    zone: str
    places: Mapping[str, str]
    says_venue: bool
    entries: Sequence[CalendarEntry]
    before_min: Callable[[Category], Sequence[int]] = no_alarms


def written(feed: Feed) -> bytes:
    """All of it, as octets."""
    calendar = icalendar.Calendar()
    calendar.add("prodid", feed.product)
    calendar.add("version", "2.0")
    calendar.add("uid", feed.uid)
    # Of the RFC after the one that the library was made for: it has to be told that this is a text.
    calendar.add("name", icalendar.vText(_text(feed.name)))
    calendar.add("refresh-interval", REFRESH, parameters={"VALUE": "DURATION"})
    for entry in feed.entries:
        calendar.add_component(_event(entry, feed))
    if not feed.entries:
        # RFC 5545 section 3.6: a calendar has at least one component.
        calendar.add_component(icalendar.Timezone.from_tzid(feed.zone))
    octets: bytes = calendar.to_ical()
    return octets


def _event(entry: CalendarEntry, feed: Feed) -> icalendar.Event:
    """An entry. None takes the time of whoever subscribes, and an instant has no end (RFC 5545 section 3.6.1)."""
    event, title = icalendar.Event(), _title(entry, feed)
    event.add("uid", entry.uid)
    # Without a METHOD this says, as LAST-MODIFIED does, when it was last changed (RFC 5545 section 3.8.7.2).
    event.add("dtstamp", _whole_second(entry.changed_at))
    event.add("dtstart", _value(entry.starts_at))
    if entry.ends_at is not None:
        event.add("dtend", _value(entry.ends_at))
    event.add("summary", title)
    event.add("description", _text(entry.description))
    event.add("categories", [entry.category])
    event.add("transp", "TRANSPARENT")
    if entry.is_cancelled:
        event.add("status", "CANCELLED")
    if entry.category != "sky":  # which is not of the venue, and is not counted
        event.add("last-modified", _whole_second(entry.changed_at))
        event.add("sequence", entry.revision)
        if entry.venue is not None:
            event.add("location", _text(feed.places[entry.venue]))
    for minutes in () if entry.is_cancelled else feed.before_min(entry.category):
        event.add_component(_alarm(title, minutes))
    return event


def _title(entry: CalendarEntry, feed: Feed) -> str:
    """A month shows titles alone: where venues stand side by side, each names its own."""
    if entry.venue is None or entry.names_venue or not feed.says_venue:
        return _text(entry.title)
    return _text(f"{entry.title}, {feed.places[entry.venue]}")


def _alarm(title: str, minutes: int) -> icalendar.Alarm:
    """RFC 5545 section 3.6.6: what is shown, and when, from the beginning of the entry on."""
    alarm = icalendar.Alarm()
    alarm.add("action", "DISPLAY")
    alarm.add("description", title)
    alarm.add("trigger", timedelta(minutes=-minutes))
    return alarm


def _value(at: datetime | date) -> datetime | date:
    return _whole_second(at) if isinstance(at, datetime) else at


def _whole_second(at: datetime) -> datetime:
    """The nearest second: iCalendar knows no parts of one."""
    return (at.astimezone(UTC) + timedelta(microseconds=500_000)).replace(microsecond=0)


def _text(text: str) -> str:
    """A text as it can stand there; the library escapes it."""
    return CONTROL.sub("\N{REPLACEMENT CHARACTER}", text.replace("\r\n", "\n").replace("\r", "\n"))
