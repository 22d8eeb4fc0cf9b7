"""What a person wants of their own calendar: which of their venues stand in it, and when it reminds them.

It is a row beside the log: only what stands now is kept. That it was changed is an event without a word of it. Whose
venues they are, their role says at each call, so that one that was taken from them is gone from the calendar at once.
"""

from __future__ import annotations

from collections import Counter
from dataclasses import dataclass
from typing import get_args

from django.contrib.auth.models import User
from django.utils.translation import gettext as _

from machines.errors import InputError
from machines.serialization import structure, unstructure
from scheduling.calendar.entries import Category
from scheduling.commands.changes import Change, Preview
from scheduling.log.events.access import CalendarWishesSet
from scheduling.log.models import Venue
from scheduling.queries.history import FieldChange
from scheduling.queries.names import require
from server.accounts.calendar_addresses import of_person, stream_of
from server.accounts.models import PersonCalendar
from server.accounts.people import standing_of

KINDS: tuple[Category, ...] = get_args(Category)
# A first reminder and a last one; more would be noise, and each is a part of every entry.
MOST_ALARMS_EACH = 2
MOST_BEFORE_MIN = 28 * 24 * 60
MOST_VENUES_CHOSEN = 100


@dataclass(frozen=True, kw_only=True)
class Alarm:
    """A reminder of each entry of a kind.

    Attributes:
        kind: of entries.
        before_min: how long before it begins, minutes; of a whole day, before its first midnight.
    """

    kind: Category
    before_min: int

    def __post_init__(self) -> None:
        if not 0 <= self.before_min <= MOST_BEFORE_MIN:
            remedy = f"give whole minutes from 0 to {MOST_BEFORE_MIN}, which are four weeks"
            raise InputError("before_min", f"{self.before_min} is out of range", remedy)


@dataclass(frozen=True, kw_only=True)
class CalendarWishes:
    """What a person wants of their calendar.

    Attributes:
        venues: ids of the only ones that stand in it; none for every one of theirs.
        alarms: when it reminds; none for never.
    """

    venues: tuple[str, ...] = ()
    alarms: tuple[Alarm, ...] = ()

    def __post_init__(self) -> None:
        if len(set(self.venues)) != len(self.venues) or len(self.venues) > MOST_VENUES_CHOSEN:
            raise InputError("venues", "one is given twice, or there are too many", "give each once, or none for all")
        if len(set(self.alarms)) != len(self.alarms):
            raise InputError("alarms", "one is given twice", "give it once")
        for kind, many in Counter(one.kind for one in self.alarms).items():
            if many > MOST_ALARMS_EACH:
                raise InputError("alarms", f"{many} of {kind}", f"give at most {MOST_ALARMS_EACH} of a kind")

    def before_min(self, kind: Category) -> tuple[int, ...]:
        """How long before each entry of a kind it reminds, minutes, the first reminder first."""
        return tuple(sorted((one.before_min for one in self.alarms if one.kind == kind), reverse=True))


def wishes_of(number: int) -> CalendarWishes:
    """What the person of an account wants; all of their venues and no alarms while they have said nothing."""
    row = PersonCalendar.objects.filter(person_id=number).first()
    return CalendarWishes() if row is None else structure(row.said, CalendarWishes)


def venues_of(person: User, wishes: CalendarWishes) -> list[Venue]:
    """The venues whose entries stand in a person's calendar, by their role now and their own choice."""
    found = Venue.objects.filter(retired_at=None)
    for only in (standing_of(person).venues, wishes.venues or None):
        if only is not None:
            found = found.filter(id__in=only)
    return list(found.order_by("id"))


def set_wishes(person: User, after: CalendarWishes, version: int) -> Change:
    """From now on a person's calendar shows and reminds so, at the next call of each program that reads it.

    Args:
        person: whose.
        after: all that they want.
        version: of its stream, read before.

    Raises:
        Unknown: a venue is none, and was none of theirs before.
        InputError: a venue is none of theirs.
    """
    before = wishes_of(person.pk)
    _require_theirs(person, [id for id in after.venues if id not in before.venues])
    said, stood = unstructure(after), unstructure(before)
    fields = tuple(
        FieldChange(field=name, before=stood[name], after=said[name]) for name in said if said[name] != stood[name]
    )

    def keep() -> None:
        PersonCalendar.objects.update_or_create(person=person, defaults={"said": said})

    return Change(
        stream=stream_of(of_person(person.pk)),
        version=version,
        event=CalendarWishesSet() if fields else None,
        beside=keep,
        preview=Preview(fields=fields, in_words=_in_words(before, after) if fields else (), warnings=()),
    )


def _require_theirs(person: User, venues: list[str]) -> None:
    theirs = standing_of(person).venues
    for id in venues:
        require(Venue, "venue", id)
        if theirs is not None and id not in theirs:
            raise InputError("venues", f"{id!r} is none of theirs", f"give some of: {', '.join(theirs)}")


def _in_words(before: CalendarWishes, after: CalendarWishes) -> tuple[str, ...]:
    said = [_("Programs that have the calendar show it so from their next call on; most call once an hour.")]
    if after.alarms and after.alarms != before.alarms:
        said.append(_("Some programs keep no alarms of calendars that they subscribe to: see that yours does."))
    if before.alarms and not after.alarms:
        said.append(_("It reminds of nothing any more."))
    return tuple(said)
