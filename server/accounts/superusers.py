"""Django's superusers are the studio's: `dayroll createsuperuser` makes one, past every door of ours, and the log hears
of it here, as of whoever becomes one later, or is one no more.

Django's signals come when the row stands already, and where the log then refused there would be an account of which it
knows nothing. So what is told stands around `User.save`, and both are one transaction. Rows that are changed without it
(`update` in a shell, SQL) and those that are put back from a file are told by nobody.
"""

from __future__ import annotations

import logging
from collections.abc import Callable
from functools import wraps
from typing import Any

from django.contrib.auth.models import User
from django.db import router, transaction

from scheduling.log.events.access import AccountMade, RoleChanged
from scheduling.log.store import Append, append
from server.accounts.at_terminal import at_the_terminal
from server.accounts.people import standing_of
from server.accounts.principals import in_short

logger = logging.getLogger(__name__)


def tell_of_superusers() -> None:
    """From here on the log hears of them; called once, when the program starts."""
    User.save = _told(User.save)  # type: ignore[method-assign]  # its signals come after the row is written


def _told(save: Callable[..., None]) -> Callable[..., None]:
    @wraps(save)
    def saved(person: User, **options: Any) -> None:
        fields, using = options.get("update_fields"), options.get("using") or router.db_for_write(User, instance=person)
        if fields is not None and "is_superuser" not in fields:  # as at each time that somebody signs in
            save(person, **options)
            return
        with transaction.atomic(using=using):
            # Its number alone says nothing of whether it is new: it may have been chosen.
            before = User.objects.using(using).filter(pk=person.pk).first()
            save(person, **options)
            _tell(person, before, using)

    return saved


def _tell(person: User, before: User | None, using: str) -> None:
    if person.is_superuser == (before is not None and before.is_superuser):
        return
    standing = standing_of(person)
    told = RoleChanged if before else AccountMade
    said = told(role=standing.role, venues=standing.venues)
    append([Append(f"user/{person.pk}", None, [said])], at_the_terminal(), using=using)
    logger.warning("terminal made user:%s %s", person.pk, in_short(standing))
