"""Of whom people are told what is amiss, of what, and what was sent. Beside the log, as it is of people."""

from __future__ import annotations

from typing import ClassVar

from django.db import models

from scheduling.log.fields import CanonicalJSON


class Recipients(models.Model):
    """Whom to tell, as it stands now: overwritten, and taken away for good. See `scheduling.telling.recipients`."""

    name = models.TextField(primary_key=True, help_text="there is one")
    said = CanonicalJSON(help_text="a scheduling.telling.recipients.AllRecipients")


class Matter(models.Model):
    """Something of which people are told once, and once when it is over. See `scheduling.telling.matters`."""

    id = models.TextField(primary_key=True, help_text="its first part, and when it was found")
    kind = models.TextField(help_text="a scheduling.telling.amiss.AmissKind")
    venue = models.TextField(null=True, help_text="id; null where it is the server itself")
    parts = CanonicalJSON(help_text="what it is of, as last seen: scheduling.telling.amiss.Amiss by key")
    began_at = models.DateTimeField()
    told_from = models.DateTimeField(help_text="from when on people are told of it")
    gone_at = models.DateTimeField(null=True, help_text="since when nothing of it is found")
    over_at = models.DateTimeField(null=True, db_index=True, help_text="null while it is not over")
    acknowledged_at = models.DateTimeField(null=True, help_text="null while nobody sees to it")
    acknowledged_by = models.TextField(null=True, help_text="an account, a key, or a recipient; null once forgotten")


class Message(models.Model):
    """What one of them is told of a matter, once. Sent at least once, and under one id."""

    id = models.TextField(primary_key=True, help_text="the same whoever makes it: of matter, recipient and what")
    matter = models.TextField(null=True, db_index=True, help_text="id; null for a test")
    recipient = models.TextField(null=True, help_text="id; null once they were taken away")
    what = models.TextField(help_text="as which kind the matter is told, or that it is over, or a test")
    way = models.TextField(help_text="email or webhook")
    made_at = models.DateTimeField()
    next_at = models.DateTimeField(help_text="when it is to be tried next")
    tries = models.IntegerField(default=0)
    claim = models.TextField(default="", help_text="of whoever tries it now")
    claimed_until = models.DateTimeField(null=True, help_text="when whoever tries it is taken to be gone")
    sent_at = models.DateTimeField(null=True, help_text="when the other side had taken it")
    given_up_at = models.DateTimeField(null=True, help_text="when it was given up, or there was no need any more")
    problem = models.TextField(default="", help_text="why the newest try failed")

    class Meta:
        indexes: ClassVar = [
            models.Index(
                fields=["next_at"],
                name="log_message_waiting",
                condition=models.Q(sent_at__isnull=True, given_up_at__isnull=True),
            ),
            models.Index(fields=["-made_at"], name="log_message_made"),
        ]
