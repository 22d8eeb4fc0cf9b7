"""Keys to the API: the studio's, and those that it gives to curators and readers."""

from __future__ import annotations

from datetime import datetime

from machines.errors import InputError
from server.accounts.models import Key
from server.accounts.principals import STUDIO, KeyHolder, Standing, in_short
from server.accounts.tokens import matches, mint, prefix_of

LONGEST_NAME = 60


def make_studio_key(name: str, now: datetime) -> str:
    """A new key for somebody of the studio; see `make_key`."""
    return make_key(name, STUDIO, now)


def make_key(name: str, standing: Standing, now: datetime) -> str:
    """A new key for whoever the name says, to be shown once. Its visible part begins with the role.

    Raises:
        InputError: the name is empty or too long, or has a key already.
    """
    if not 1 <= len(name.strip()) <= LONGEST_NAME or not name.isprintable():
        raise InputError("name", f"{name!r} names nobody", f"give 1 to {LONGEST_NAME} characters")
    minted = mint(standing.role)
    kept = {"prefix": minted.prefix, "digest": minted.digest, "made_at": now}
    granted = {"role": standing.role, "venues": standing.venues}
    _, is_new = Key.objects.get_or_create(name=name, revoked_at=None, defaults=kept | granted)
    if not is_new:
        raise InputError("name", f"{name!r} has a key already", "revoke that one first, or give another name")
    return minted.token


def revoke_key(name: str, now: datetime) -> None:
    """Make a key useless; what it did stays under its name.

    Raises:
        InputError: nobody of that name has a key that works.
    """
    if not Key.objects.filter(name=name, revoked_at=None).update(revoked_at=now):
        raise InputError("name", f"{name!r} has no key that works", "see the names in the list of keys")


def holder_of(key: str) -> KeyHolder | None:
    """Whose key this is; None if it is nobody's."""
    row = Key.objects.filter(prefix=prefix_of(key), revoked_at=None).first()
    if row is None or not matches(key, row.digest):
        return None
    return KeyHolder(row.prefix, row.name, row.standing)


def listed() -> list[str]:
    """A line for each key, revoked ones included, in the order in which they were made."""
    return [_line(row) for row in Key.objects.order_by("made_at", "id")]


def _line(row: Key) -> str:
    state = "in use" if row.revoked_at is None else f"revoked {row.revoked_at:%Y-%m-%d %H:%M} UTC"
    return f"{row.prefix}  made {row.made_at:%Y-%m-%d %H:%M} UTC  {state}  {in_short(row.standing)}  {row.name}"
