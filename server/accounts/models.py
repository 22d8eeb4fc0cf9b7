"""Who may come in and as what: keys to the API, the roles of people, the nodes' credentials, and the codes that become
such credentials.

They are secrets, not facts about machines, so they stand beside the log and not in it. That one was made or became
useless, and by whom, is in the log (`scheduling.log.events.access`), and that a board took over a machine, too.
"""

from __future__ import annotations

from django.contrib.auth.models import User
from django.db import models

from server.accounts.principals import Grant, role_named


class Granted(models.Model):
    """Something that gives whoever holds it a role."""

    role = models.TextField(help_text="a server.accounts.principals.Role")
    venues = models.JSONField(null=True, help_text="ids of the only venues that the role is for; null for every venue")

    class Meta:
        abstract = True

    @property
    def standing(self) -> Grant:
        """What the holder may do."""
        return Grant(role_named(self.role), None if self.venues is None else tuple(self.venues))


class Key(Granted):
    """Opens the API to somebody."""

    name = models.TextField(help_text="who holds it")
    prefix = models.TextField(unique=True, help_text="the visible part of the key")
    digest = models.TextField(help_text="SHA-256 of the key")
    made_at = models.DateTimeField()
    made_by = models.TextField(null=True, help_text="who, as the log names them; null where nobody wrote it down")
    ends_at = models.DateTimeField(null=True, help_text="when it opens nothing any more; null for never")
    last_used_at = models.DateTimeField(null=True, help_text="to within a minute")
    revoked_at = models.DateTimeField(null=True)

    class Meta:
        constraints = (
            models.UniqueConstraint(
                fields=["name"], condition=models.Q(revoked_at=None), name="accounts_one_key_in_use_a_name"
            ),
        )


class PersonRole(Granted):
    """The role of a person who may sign in on the pages. A superuser needs none and is the studio's."""

    person = models.OneToOneField(User, models.CASCADE, primary_key=True, related_name="+")


class EnrolmentCode(models.Model):
    """Makes one board the node of a machine, once."""

    machine = models.TextField(help_text="id")
    digest = models.TextField(unique=True, help_text="SHA-256 of the code")
    made_at = models.DateTimeField()
    made_by = models.TextField(null=True, help_text="who, as the log names them; null where nobody wrote it down")
    expires_at = models.DateTimeField()
    used_at = models.DateTimeField(null=True)
    cancelled_at = models.DateTimeField(null=True)


class NodeCredential(models.Model):
    """Opens the node's calls to one board. Kept when it is replaced, so that the board can be told so."""

    machine = models.TextField(help_text="id")
    epoch = models.IntegerField()
    prefix = models.TextField(unique=True, help_text="the visible part of the token")
    digest = models.TextField(help_text="SHA-256 of the token")
    made_at = models.DateTimeField()
    revoked_at = models.DateTimeField(null=True)

    class Meta:
        constraints = (models.UniqueConstraint(fields=["machine", "epoch"], name="accounts_one_node_an_epoch"),)


class CalendarAddress(models.Model):
    """What a calendar's secret address is made of, beside the server's own key: without that it opens nothing."""

    of = models.TextField(primary_key=True, help_text="whose: studio, venue-ID or user-NUMBER")
    drawn = models.TextField(help_text="random, anew with each address")
    number = models.IntegerField(help_text="how many addresses there were, with this one")
    since = models.DateTimeField(help_text="when it was made")


class PersonCalendar(models.Model):
    """What a person wants of their own calendar, as it stands now."""

    person = models.OneToOneField(User, models.CASCADE, primary_key=True, related_name="+")
    said = models.JSONField(help_text="a server.accounts.person_calendars.CalendarWishes")
