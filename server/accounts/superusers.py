"""Django's superusers are the studio's: `dayroll createsuperuser` makes one, past every door of ours, and the log hears
of it here."""

from __future__ import annotations

import logging
from typing import Any

from django.contrib.auth.models import User
from django.db.models.signals import post_save
from django.dispatch import receiver

from scheduling.log.access_events import AccountMade
from scheduling.log.store import Append, append
from server.accounts.management.terminal import at_the_terminal

logger = logging.getLogger(__name__)


@receiver(post_save, sender=User, dispatch_uid="dayroll.superusers")
def tell(instance: User, created: bool, raw: bool, using: str, **_: Any) -> None:
    """A new superuser is an event like any other account's beginning; one that is put back from a file is none."""
    if created and instance.is_superuser and not raw:
        made = Append(f"user/{instance.pk}", None, [AccountMade(role="studio")])
        append([made], at_the_terminal(), using=using)
        logger.warning("terminal made user:%s, the studio's", instance.pk)
