"""What somebody changes of who may come in: carried out, told to the log and written down, all of it or nothing.

The studio's board codes are in `server.accounts.enrolment`, and its boards in `server.accounts.boards`.
"""

from __future__ import annotations

import logging
from datetime import datetime

from django.db import transaction

from scheduling.log.events.access import (
    AccessEvent,
    AccountClosed,
    AccountMade,
    AccountReopened,
    KeyMade,
    KeyRevoked,
    RoleChanged,
)
from scheduling.log.store import Append, Attribution, append
from server.accounts import people
from server.accounts.keys import keep_key, revoke_key
from server.accounts.principals import Grant, in_short

logger = logging.getLogger(__name__)


def _tell(stream: str, event: AccessEvent, by: Attribution, said: str) -> None:
    append([Append(stream, None, [event])], by)
    logger.warning("request %s: %s %s", by.request, by.actor, said)


@transaction.atomic
def give_key(name: str, standing: Grant, by: Attribution, ends_at: datetime | None = None) -> str:
    """A new key, to be shown once.

    Raises:
        InputError: the name is empty or too long, or has a key already, or the end is past.
    """
    minted = keep_key(name, standing, by.said_at, made_by=by.actor, ends_at=ends_at)
    made = KeyMade(role=standing.role, venues=standing.venues, ends_at=ends_at)
    _tell(_stream_of_key(minted.prefix), made, by, f"made the key {minted.prefix} for {in_short(standing)}")
    return minted.token


@transaction.atomic
def take_key(prefix: str, by: Attribution) -> None:
    """Make the key useless that has this visible part.

    Raises:
        InputError: there is none that works.
    """
    revoke_key(prefix, by.said_at)
    _tell(_stream_of_key(prefix), KeyRevoked(), by, f"revoked the key {prefix}")


def _stream_of_key(prefix: str) -> str:
    return f"key/{prefix.replace('_', '-')}"


@transaction.atomic
def add_person(name: str, password: str, standing: Grant, by: Attribution) -> None:
    """A new account with a role.

    Raises:
        InputError: the name or the password will not do.
    """
    number = people.make_person(name, password, standing)
    made = AccountMade(role=standing.role, venues=standing.venues)
    _tell(f"user/{number}", made, by, f"made user:{number}, {in_short(standing)}")


@transaction.atomic
def give_role(name: str, standing: Grant, by: Attribution) -> None:
    """Give somebody another role, or other venues.

    Raises:
        InputError: nobody has the name, or it is a superuser's.
    """
    number = people.change_role(name, standing)
    changed = RoleChanged(role=standing.role, venues=standing.venues)
    _tell(f"user/{number}", changed, by, f"made user:{number} {in_short(standing)}")


@transaction.atomic
def close(name: str, by: Attribution) -> None:
    """Let somebody sign in no more.

    Raises:
        InputError: nobody has the name.
    """
    number = people.close_account(name)
    _tell(f"user/{number}", AccountClosed(), by, f"closed user:{number}")


@transaction.atomic
def reopen(name: str, by: Attribution) -> None:
    """Let somebody sign in again.

    Raises:
        InputError: nobody has the name.
    """
    number = people.reopen_account(name)
    _tell(f"user/{number}", AccountReopened(), by, f"reopened user:{number}")
