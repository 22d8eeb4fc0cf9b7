"""Whom to ring, as pages say it."""

from __future__ import annotations

import re
from dataclasses import dataclass

from django.utils.translation import gettext as _

from machines.operator.language import marked
from scheduling.venues.contacts import Contact, ContactRole, contacts_of

ROLE_WORDS: dict[ContactRole, str] = {
    "technician": marked("Technician on call"),
    "studio": marked("The studio"),
    "curator": marked("The curator"),
    "house": marked("The house"),
    "other": marked("Somebody else"),
}
# The zero that people write for callers within a country is not dialled from abroad (ITU-T E.123).
TRUNK_ZERO = re.compile(r"\(0\)")
EXTENSION = re.compile(r"\s*(?:x|ext).*")


@dataclass(frozen=True)
class Ring:
    """Somebody to ring.

    Attributes:
        who: by what they are there for.
        dial: the number as a telephone takes it (RFC 3966); empty for none.
    """

    who: str
    name: str
    telephone: str
    dial: str
    email: str
    when: str


def whom_to_ring(venue: str) -> tuple[Ring, ...]:
    """At a venue, by its id; the first to be tried first."""
    found = contacts_of(venue)
    return () if found is None else tuple(map(ring, found.contacts))


def ring(contact: Contact) -> Ring:
    """One of them."""
    return Ring(
        who=_(ROLE_WORDS[contact.role]),
        name=contact.name,
        telephone=contact.telephone,
        dial=dialled(contact.telephone),
        email=contact.email,
        when=contact.when,
    )


def dialled(telephone: str) -> str:
    """A number without what only parts it: its digits, and the plus before them. An extension is dialled later."""
    number = EXTENSION.sub("", telephone)
    digits = "".join(sign for sign in TRUNK_ZERO.sub("", number) if sign.isdigit())
    if number.startswith("+"):
        return f"+{digits}"
    return "".join(sign for sign in number if sign.isdigit())
