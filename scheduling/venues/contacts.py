"""Whom to ring about a venue's machines: by role, in the order in which they are to be tried.

They are rows beside the log and no events: a name and a number are a person's, who may want them gone, and an event
can never be changed. Only what stands now is kept. That somebody changed it, who and when, is an event without a word
of it. So an exported log holds none of them, and there is none to ask for as of a past moment; a backup of the database
has them as they stood.
"""

from __future__ import annotations

import re
from dataclasses import dataclass
from typing import Any, Literal, get_args

from django.core.exceptions import ValidationError
from django.core.validators import validate_email

from machines.errors import InputError
from machines.serialization import structure, unstructure
from scheduling.log.models import Contacts
from scheduling.queries.names import NOT_IN_NAMES

MOST_CONTACTS = 12
LONGEST_CONTACT_NAME, LONGEST_TELEPHONE, LONGEST_EMAIL, LONGEST_WHEN = 100, 40, 254, 120
# As people write numbers: digits, what parts them, and what comes before an extension.
TELEPHONE = re.compile(r"\+?[0-9(][0-9 ()/.\-]*(?: ?(?:x|ext\.?) ?[0-9]+)?", re.ASCII)
LEAST_DIGITS = 3

ContactRole = Literal["technician", "studio", "curator", "house", "other"]
CONTACT_ROLES: tuple[ContactRole, ...] = get_args(ContactRole)


@dataclass(frozen=True, kw_only=True)
class Contact:
    """Somebody to ring or to write to, by what they are there for.

    Attributes:
        role: ``technician`` on call, the ``studio``, the ``curator``, the ``house`` (who looks after the building), or
            ``other``.
        name: of a person or of a desk; may be empty.
        telephone: as it is dialled from there, or with ``+`` and the country; empty for none.
        email: empty for none. One of the two is needed.
        when: when to try it, in words, such as ``nights only``; may be empty.
    """

    role: ContactRole
    name: str = ""
    telephone: str = ""
    email: str = ""
    when: str = ""

    def __post_init__(self) -> None:
        _require_line("name", self.name, LONGEST_CONTACT_NAME)
        _require_line("when", self.when, LONGEST_WHEN)
        if not self.telephone and not self.email:
            raise InputError("telephone", "no number and no e-mail address", "give one of the two")
        _require_telephone(self.telephone)
        require_email(self.email)


@dataclass(frozen=True, kw_only=True)
class VenueContacts:
    """All of a venue, the first to be tried first; none where the tuple is empty."""

    contacts: tuple[Contact, ...] = ()

    def __post_init__(self) -> None:
        if len(self.contacts) > MOST_CONTACTS:
            raise InputError("contacts", f"{len(self.contacts)} of them", f"give at most {MOST_CONTACTS}")


def contacts_of(venue: str) -> VenueContacts | None:
    """Of a venue, by its id; None while nobody has said any."""
    said = said_contacts(venue)
    return None if said is None else structure(said, VenueContacts)


def said_contacts(venue: str) -> Any:
    """The same as JSON."""
    row = Contacts.objects.filter(venue=venue).first()
    return None if row is None else row.said


def as_said(contacts: VenueContacts) -> Any:
    """As they are kept: JSON."""
    return unstructure(contacts)


def _require_line(field: str, text: str, longest: int) -> None:
    if len(text) > longest:
        raise InputError(field, f"{len(text)} characters", f"give at most {longest}")
    if not text.isprintable() or NOT_IN_NAMES.search(text):
        raise InputError(field, "a sign that cannot be printed in a line", "leave it out")


def _require_telephone(text: str) -> None:
    if not text:
        return
    remedy = "give digits, such as +1 709 555 0142; what else there is to say stands in `when`"
    if len(text) > LONGEST_TELEPHONE:
        raise InputError("telephone", f"{len(text)} characters", f"give at most {LONGEST_TELEPHONE}")
    if not TELEPHONE.fullmatch(text) or sum(sign.isdigit() for sign in text) < LEAST_DIGITS:
        raise InputError("telephone", f"{text!r} is no number to dial", remedy)


def require_email(text: str) -> None:
    """See that a text is an e-mail address, or empty.

    Raises:
        InputError: it is neither.
    """
    if not text:
        return
    try:
        validate_email(text)
    except ValidationError:
        raise InputError("email", f"{text!r} is no e-mail address", "give one like desk@example.org") from None
    if len(text) > LONGEST_EMAIL:
        raise InputError("email", f"{len(text)} characters", f"give at most {LONGEST_EMAIL}")
