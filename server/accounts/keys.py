"""Keys to the API: the studio's, and those that it gives to curators and readers. `server.accounts.access` tells the
log what is changed of them."""

from __future__ import annotations

import logging
from datetime import datetime, timedelta

from django.core.cache import cache
from django.db import DEFAULT_DB_ALIAS, DatabaseError, transaction
from django.db.models import Q

from machines.errors import InputError
from scheduling.log.rows.row_sql import table
from scheduling.sky.civil import instant_in_words
from server.accounts.models import Key
from server.accounts.principals import Grant, KeyHolder, in_short
from server.accounts.tokens import Minted, matches, mint, prefix_of

logger = logging.getLogger(__name__)

LONGEST_NAME = 60
USE_NOTED_EVERY = timedelta(minutes=1)
FAILED = "key-use-not-written:"


def keep_key(name: str, standing: Grant, now: datetime, *, made_by: str, ends_at: datetime | None = None) -> Minted:
    """A new key for whoever the name says, to be shown once, with its visible part, which begins with the role.

    Raises:
        InputError: the name is empty or too long, or has a key already, or the end is past.
    """
    if not 1 <= len(name.strip()) <= LONGEST_NAME or not name.isprintable():
        raise InputError("name", f"{name!r} names nobody", f"give 1 to {LONGEST_NAME} characters")
    if ends_at is not None and ends_at <= now:
        raise InputError("ends_at", f"{instant_in_words(ends_at)} is past", "give an instant to come, or none")
    minted = mint(standing.role)
    kept = {"prefix": minted.prefix, "digest": minted.digest, "made_at": now, "made_by": made_by, "ends_at": ends_at}
    granted = {"role": standing.role, "venues": standing.venues}
    Key.objects.filter(name=name, revoked_at=None, ends_at__lte=now).update(revoked_at=now)  # its end has come
    _, is_new = Key.objects.get_or_create(name=name, revoked_at=None, defaults=kept | granted)
    if not is_new:
        raise InputError("name", f"{name!r} has a key already", "revoke that one first, or give another name")
    return minted


def key_of(name: str) -> str:
    """The visible part of somebody's key.

    Raises:
        InputError: nobody of that name has a key that works.
    """
    row = Key.objects.filter(name=name, revoked_at=None).first()
    if row is None:
        raise InputError("name", f"{name!r} has no key that works", "see the names in the list of keys")
    return row.prefix


def revoke_key(prefix: str, now: datetime) -> None:
    """Make a key useless; what it did stays under its visible part. A name may have got another key meanwhile.

    Raises:
        InputError: no key that works has this visible part.
    """
    if not Key.objects.filter(prefix=prefix, revoked_at=None).update(revoked_at=now):
        raise InputError("prefix", f"there is no key {prefix} that works", "see the list of keys")


def holder_of(key: str, now: datetime) -> KeyHolder | None:
    """Whose key this is, whose use is noted; None if it is nobody's, or its end has come."""
    # Every call with a key asks, so in ready-made SQL.
    found: list[Key] = table(Key, DEFAULT_DB_ALIAS).where("prefix = %s AND revoked_at IS NULL", prefix_of(key))
    row = next(iter(found), None)
    if row is None or not matches(key, row.digest) or (row.ends_at is not None and row.ends_at <= now):
        return None
    _note_use(row, now)
    return KeyHolder(row.prefix, row.name, row.standing)


def _note_use(row: Key, now: datetime) -> None:
    """Now and then. Where it cannot be written, nobody is kept out, and it is not tried with every request."""
    long_ago = now - USE_NOTED_EVERY
    tried = (row.last_used_at, cache.get(FAILED + row.prefix))
    if any(at is not None and long_ago < at <= now for at in tried):
        return
    try:
        with transaction.atomic():
            stale = Q(last_used_at=None) | Q(last_used_at__lte=long_ago)
            Key.objects.filter(stale, pk=row.pk).update(last_used_at=now)
    except DatabaseError as error:
        cache.set(FAILED + row.prefix, now, USE_NOTED_EVERY.total_seconds())
        logger.warning("that the key %s was used cannot be written: %s", row.prefix, error)


def listed() -> list[str]:
    """A line for each key, revoked ones included, in the order in which they were made."""
    return [_line(row) for row in Key.objects.order_by("made_at", "id")]


def _line(row: Key) -> str:
    state = "in use" if row.revoked_at is None else f"revoked {row.revoked_at:%Y-%m-%d %H:%M} UTC"
    if row.revoked_at is None and row.ends_at is not None:
        state = f"until {row.ends_at:%Y-%m-%d %H:%M} UTC"
    used = "never used" if row.last_used_at is None else f"last used {row.last_used_at:%Y-%m-%d %H:%M} UTC"
    made = f"made {row.made_at:%Y-%m-%d %H:%M} UTC"
    return f"{row.prefix}  {made}  {used}  {state}  {in_short(row.standing)}  {row.name}"
