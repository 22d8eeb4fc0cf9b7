"""Secret addresses of calendars. Programs that read calendars can send no key, so whoever has an address reads what is
there; it can be made another, and the one of before is good for nothing from then on.

An address is shown again and again, for each device that is to have the calendar, so a digest would not do. It is made
of the server's own secret key and of what was drawn for it: what lies in the database opens nothing by itself. A number
in place of what is drawn would come again after a backup was put back, and with it an address that was given up since.

A backup has the row of its time, and with it the address of that time: whoever puts one back makes those another that
were given up since. Where the log alone is left, which says that there was another address and not which, a calendar
has none until it is given one.
"""

from __future__ import annotations

import hashlib
import hmac
from collections.abc import Collection
from dataclasses import dataclass
from datetime import datetime
from uuid import UUID

from django.conf import settings
from django.contrib.auth.models import User
from django.utils.translation import gettext as _

from machines.chance import Chance
from machines.operator.language import marked
from scheduling.commands.changes import Change, ChangeWarning, Preview
from scheduling.log.events import EVENT_KINDS
from scheduling.log.events.access import CalendarAddressChanged
from scheduling.log.models import Event, Venue
from scheduling.queries.history import FieldChange
from server.accounts.models import CalendarAddress

SECRET_LETTERS = 32
DRAWN_BYTES = 16
STUDIO = "studio"
ANOTHER = marked("The calendar has another address from now on. Each program that is to show it needs that.")
A_FIRST = marked("The calendar has an address from now on. Whoever has that reads the calendar, without an account.")
GIVEN_UP = marked(
    "At the address until now nothing is any more, for whoever has it: programs are told so at their next call, and"
    " most call once an hour. It comes back only where a backup of before is put back: then make another again."
)
OPEN = marked("The pages are open: this calendar is read without a secret, and stays so until they are closed.")


def of_venue(venue: str) -> str:
    """Whose calendar a venue's is."""
    return f"venue-{venue}"


def of_person(number: int) -> str:
    """Whose calendar a person's is, by the number of the account."""
    return f"user-{number}"


@dataclass(frozen=True, kw_only=True)
class AddressKnown:
    """A calendar's address.

    Attributes:
        address: where it is, secret and all; null while none was made, or where what was drawn for it is lost.
        number: how many there were, with this one; 0 for the one that a venue has from the beginning, or for none.
        since: when it was made, UTC; null for those.
    """

    address: str | None
    number: int
    since: datetime | None


def secret_of(of: str) -> str | None:
    """What the address holds now; None while none was made. A venue has one from the beginning, and none where it was
    given up and what was drawn for another is lost."""
    return _secret(of, CalendarAddress.objects.filter(of=of).first())


def secrets_of_venues(venues: Collection[str]) -> dict[str, str | None]:
    """The same of many venues, by id."""
    names = [of_venue(id) for id in venues]
    rows = CalendarAddress.objects.in_bulk(names)
    firsts = _firsts([of for of in names if of not in rows])
    drawn = {of: _of_drawn(row) for of, row in rows.items()}
    return {id: drawn.get(of) or firsts.get(of) for id, of in zip(venues, names, strict=True)}


def _secret(of: str, row: CalendarAddress | None) -> str | None:
    return _firsts([of]).get(of) if row is None else _of_drawn(row)


def _of_drawn(row: CalendarAddress) -> str:
    return _made(f"calendar {row.drawn} of {row.of}")


def _firsts(calendars: Collection[str]) -> dict[str, str]:
    """What the addresses of venues held from the beginning; of none of which the log says that it got another,
    whatever became of that."""
    streams = {stream_of(of): of for of in calendars if of.startswith("venue-")}
    kind = EVENT_KINDS[CalendarAddressChanged]
    given_up = set(Event.objects.filter(stream__in=streams, kind=kind).values_list("stream", flat=True))
    still = [of for stream, of in streams.items() if stream not in given_up]
    return {of: _made(f"calendar of {of.removeprefix('venue-')}") for of in still}


def is_secret_of(of: str, secret: str) -> bool:
    """Whether somebody who says this secret may read a calendar."""
    known = secret_of(of)
    return known is not None and hmac.compare_digest(secret.encode(), known.encode())


def known_address(of: str, address: str) -> AddressKnown:
    """A calendar's address.

    Args:
        of: whose.
        address: the same without the secret.
    """
    row = CalendarAddress.objects.filter(of=of).first()
    secret = _secret(of, row)
    return AddressKnown(
        address=None if secret is None else f"{address}?secret={secret}",
        number=0 if row is None else row.number,
        since=None if row is None else row.since,
    )


def name_of(of: str) -> UUID:
    """By which a calendar program knows a calendar again, whatever its address."""
    return UUID(hex=_made(f"name of the calendar of {of}"))


def renew_studio_address(now: datetime, version: int, chance: Chance) -> Change:
    """Another address of the studio's calendar, or the first; see `renew_venue_address`."""
    return _renewed(STUDIO, now, version, chance)


def renew_person_address(person: User, now: datetime, version: int, chance: Chance) -> Change:
    """Another address of a person's calendar, or the first; see `renew_venue_address`."""
    return _renewed(of_person(person.pk), now, version, chance)


def renew_venue_address(venue: Venue, now: datetime, version: int, chance: Chance) -> Change:
    """Another address of a venue's calendar.

    Args:
        venue: whose.
        now: this instant, UTC.
        version: of the address's stream, read before.
        chance: where the address is drawn.
    """
    return _renewed(of_venue(venue.id), now, version, chance, is_asked=not settings.OPEN_PAGES)


def stream_of(of: str) -> str:
    """Of what is said of a calendar's address."""
    return f"calendar/{of}"


def _renewed(of: str, now: datetime, version: int, chance: Chance, *, is_asked: bool = True) -> Change:
    row = CalendarAddress.objects.filter(of=of).first()
    number, had = 0 if row is None else row.number, _secret(of, row) is not None

    def keep() -> None:
        drawn = {"drawn": chance.in_hex(DRAWN_BYTES), "number": number + 1, "since": now}
        CalendarAddress.objects.update_or_create(of=of, defaults=drawn)

    if not is_asked:
        warnings: tuple[ChangeWarning, ...] = (ChangeWarning(kind="open-pages", in_words=_(OPEN)),)
    else:
        warnings = (ChangeWarning(kind="address-given-up", in_words=_(GIVEN_UP)),) if had else ()
    return Change(
        stream=stream_of(of),
        version=version,
        event=CalendarAddressChanged(),
        beside=keep,
        preview=Preview(
            fields=(FieldChange(field="number", before=number, after=number + 1),),
            in_words=(_(ANOTHER) if had else _(A_FIRST),),
            warnings=warnings,
        ),
    )


def _made(said: str) -> str:
    """128 bits, in hexadecimal."""
    return hmac.new(settings.SECRET_KEY.encode(), said.encode(), hashlib.sha256).hexdigest()[:SECRET_LETTERS]
