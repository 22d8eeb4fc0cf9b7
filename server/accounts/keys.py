"""The studio's keys."""

from __future__ import annotations

from datetime import datetime

from machines.errors import InputError
from server.accounts.models import StudioKey
from server.accounts.principals import Studio
from server.accounts.tokens import matches, mint, prefix_of

LONGEST_NAME = 60


def make_studio_key(name: str, now: datetime) -> str:
    """A new key for whoever the name says, to be shown once.

    Raises:
        InputError: the name is empty or too long, or has a key already.
    """
    if not 1 <= len(name.strip()) <= LONGEST_NAME or not name.isprintable():
        raise InputError("name", f"{name!r} names nobody", f"give 1 to {LONGEST_NAME} characters")
    minted = mint("studio")
    _, is_new = StudioKey.objects.get_or_create(
        name=name, revoked_at=None, defaults={"prefix": minted.prefix, "digest": minted.digest, "made_at": now}
    )
    if not is_new:
        raise InputError("name", f"{name!r} has a key already", "revoke that one first, or give another name")
    return minted.token


def revoke_studio_key(name: str, now: datetime) -> None:
    """Make a key useless; what it did stays under its name.

    Raises:
        InputError: nobody of that name has a key that works.
    """
    if not StudioKey.objects.filter(name=name, revoked_at=None).update(revoked_at=now):
        raise InputError("name", f"{name!r} has no key that works", "see the names in the list of keys")


def holder_of(key: str) -> Studio | None:
    """Whose key this is; None if it is nobody's."""
    row = StudioKey.objects.filter(prefix=prefix_of(key), revoked_at=None).first()
    return Studio(row.prefix, row.name) if row is not None and matches(key, row.digest) else None
