"""Saying whom to ring about a venue's machines: seen before it is kept, as all else."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import replace
from datetime import datetime

from scheduling.commands.changes import Change, Preview
from scheduling.log.beside import keep_contacts
from scheduling.log.events.equipment import ContactsSet
from scheduling.log.models import Venue
from scheduling.queries.history import FieldChange
from scheduling.venues.contacts import VenueContacts, as_said, contacts_of, said_contacts


def change_contacts(row: Venue, contacts: VenueContacts, now: datetime, version: int) -> Change:
    """From now on these are to be rung, in this order, whoever was before. Also of a venue that was retired: whom it
    is about may want to be taken away.

    Args:
        row: as it stands.
        contacts: all of them.
        now: this instant, UTC.
        version: of its stream, read before the row.
    """
    before, after = said_contacts(row.id), as_said(contacts)
    nothing = before == after or (before is None and not contacts.contacts)
    change = Change(
        stream=f"venue/{row.id}", version=version, event=None, preview=Preview(fields=(), in_words=(), warnings=())
    )
    if nothing:
        return change
    field = FieldChange(
        field="contacts", before=None if before is None else before["contacts"], after=after["contacts"]
    )
    return replace(
        change,
        event=ContactsSet(),
        beside=lambda: keep_contacts(row.id, after),
        preview=Preview(fields=(field,), in_words=tuple(_in_words(row, contacts)), warnings=()),
    )


def _in_words(row: Venue, contacts: VenueContacts) -> Iterator[str]:
    had = contacts_of(row.id)
    if not contacts.contacts:
        yield f"The sheet of {row.name} names nobody to ring from now on."
    else:
        yield f"The sheet of {row.name} says from now on whom to ring; what is printed already does not change."
    if had is not None and had.contacts:
        yield "What stood there before is not kept."
