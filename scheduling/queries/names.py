"""Ids and names that the studio gives to things, and finding a thing by its id."""

from __future__ import annotations

import re
from typing import Any

from machines.errors import InputError

ID = re.compile(r"[a-z0-9](?:[a-z0-9-]{0,38}[a-z0-9])?")
LONGEST_NAME = 120
# What turns the direction of all that follows: with it a name shows other words than it has, also beside it. Marks of
# direction and joiners, which some scripts need, are none of these.
NOT_IN_NAMES = re.compile(r"[\u202a-\u202e\u2066-\u2069]")


class Unknown(InputError):
    """Something named does not exist."""

    def __init__(self, kind: str, id: str) -> None:
        super().__init__(kind, f"there is no {kind} {id!r}", f"add the {kind} first, or name one that exists")


def check_id(id: str) -> None:
    """Raise an InputError unless a text can be an id."""
    if not ID.fullmatch(id):
        raise InputError("id", f"{id!r} cannot be an id", "give 1 to 40 of a-z, 0-9 and -, not - at an end")


def check_name(name: str) -> None:
    """Raise an InputError unless a text can be a name."""
    if not 1 <= len(name.strip()) <= LONGEST_NAME:
        raise InputError("name", "empty or too long", f"give 1 to {LONGEST_NAME} characters")
    if found := NOT_IN_NAMES.search(name):
        raise InputError("name", f"{found[0]!r} cannot stand in a name", "leave it out")


def require(model: type[Any], kind: str, id: str, *related: str) -> Any:
    """The row with an id, and the rows that it refers to by some of its fields.

    Raises:
        Unknown: there is none.
    """
    row = find(model, id, *related)
    if row is None:
        raise Unknown(kind, id)
    return row


def find(model: type[Any], id: str, *related: str) -> Any:
    """The same; None where there is none. PostgreSQL takes no NUL, so nothing is asked for by one."""
    if "\x00" in id:
        return None
    rows = model.objects.filter(id=id)
    return (rows.select_related(*related) if related else rows).first()


def require_in_use(model: type[Any], kind: str, id: str, *related: str) -> Any:
    """The row with an id, of a kind of thing that can be retired, where it was not; see `require`.

    Raises:
        Unknown: there is none.
        InputError: it was retired.
    """
    row = require(model, kind, id, *related)
    if row.retired_at is not None:
        raise InputError(kind, f"{row.name} was retired", f"name another {kind}, or take that back first")
    return row
