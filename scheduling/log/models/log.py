"""The log itself, what lies beside it, how its views stand, and the one piece of telemetry."""

from __future__ import annotations

from typing import ClassVar

from django.db import models

from scheduling.log.fields import CanonicalJSON
from scheduling.log.models.views import Machine

# The kinds of what a machine tells as long as all goes as planned: nearly all of the log.
KINDS_AS_PLANNED = ("columns-printed", "strip-cut")
# One by one: through a list SQLite would not see that its index is of just these.
SAYS_MORE = ~models.Q(kind=KINDS_AS_PLANNED[0]) & ~models.Q(kind=KINDS_AS_PLANNED[1])


class Event(models.Model):
    """A fact. The database refuses to change or delete it (`scheduling.log.integrity.append_only`)."""

    position = models.BigIntegerField(primary_key=True, help_text="place in the global order, from 1, without holes")
    stream = models.TextField(help_text="whose fact: kind/id")
    version = models.IntegerField(help_text="place in the stream, from 1, without holes")
    kind = models.TextField(help_text="a key of scheduling.log.events.EVENT_CLASSES")
    schema = models.SmallIntegerField(help_text="version of the form of data")
    data = CanonicalJSON(help_text="the event")
    run = models.TextField(null=True, help_text="the run that it is about, for finding it")
    said_at = models.DateTimeField(help_text="when the server was told")
    happened_at = models.DateTimeField(help_text="when it was so")
    actor = models.TextField(help_text="who said it: an account's id, a node, a background job")
    request = models.TextField(null=True, help_text="in which request")
    previous_digest = models.TextField()
    digest = models.TextField()

    class Meta:
        constraints: ClassVar = [models.UniqueConstraint(fields=["stream", "version"], name="log_event_stream_version")]
        indexes: ClassVar = [
            models.Index(fields=["kind", "position"], name="log_event_kind"),
            models.Index(fields=["run", "position"], name="log_event_run", condition=models.Q(run__isnull=False)),
            models.Index(fields=["happened_at"], name="log_event_happened"),
            models.Index(fields=["said_at"], name="log_event_said"),
            # A machine's stream holds every report that it ever made: what else was said of it is found without them.
            models.Index(fields=["stream", "kind", "position"], name="log_event_says_more", condition=SAYS_MORE),
        ]


class GivenCommand(models.Model):
    """What a stream was begun by, so that the same command is known for it when it comes again. A memory, not a fact:
    without it the id is only in use."""

    stream = models.TextField(primary_key=True)
    actor = models.TextField(help_text="who gave the command")
    digest = models.TextField(help_text="SHA-256 of the command, see scheduling.commands.idempotency")


class Remark(models.Model):
    """What a person wrote in his own words, beside the log, whose event holds the digest: it can be blotted out."""

    digest = models.TextField(primary_key=True, help_text="see scheduling.log.remarks.digest_of")
    salt = models.TextField()
    text = models.TextField()


class Contacts(models.Model):
    """Whom to ring about a venue's machines, as it stands now. Beside the log, as it is of people: overwritten, and
    taken away for good. See `scheduling.venues.contacts`."""

    venue = models.TextField(primary_key=True, help_text="id of the venue")
    said = CanonicalJSON(help_text="a scheduling.venues.contacts.VenueContacts")


class Heartbeat(models.Model):
    """The newest word from a node. Telemetry: overwritten, never folded, never in the log."""

    machine = models.OneToOneField(
        Machine, on_delete=models.DO_NOTHING, db_constraint=False, primary_key=True, related_name="+"
    )
    heard_at = models.DateTimeField()
    status = CanonicalJSON(help_text="a machines.protocol.messages.Status")


class ClockSample(models.Model):
    """How surely a machine's board knew the time, now and then. Telemetry, as heartbeats are; gone after a while."""

    pk = models.CompositePrimaryKey("machine_id", "at")
    machine = models.ForeignKey(
        Machine, on_delete=models.DO_NOTHING, db_constraint=False, db_index=False, related_name="+"
    )
    at = models.DateTimeField(db_index=True, help_text="when the board was heard")
    error_s = models.FloatField(help_text="bound on the error of its estimate of server time")


class OwnWork(models.Model):
    """When the server last did what it does by itself. Telemetry: overwritten."""

    name = models.TextField(primary_key=True, help_text="a name in server.jobs")
    expected_since = models.DateTimeField(help_text="since when it should be done")
    done_at = models.DateTimeField(null=True, help_text="when it last went well; null for never")


class BrokenView(models.Model):
    """A view that is set aside, because its fold failed; its rows stand as they were before that event."""

    view = models.TextField(primary_key=True, help_text="a name in scheduling.log.projections.VIEWS")
    position = models.BigIntegerField(help_text="of the event that it failed on")
    problem = models.TextField(help_text="in words")


class FoldedAgain(models.Model):
    """A view whose rows were put right by folding them again: what was read of it before may be otherwise now."""

    view = models.TextField(primary_key=True, help_text="a name in scheduling.log.projections.VIEWS")
    times = models.BigIntegerField(default=0, help_text="how often")


class PassedOverEntry(models.Model):
    """An entry of a node's journal that a view could not take, and goes on without."""

    pk = models.CompositePrimaryKey("view", "position")
    view = models.TextField(help_text="a name in scheduling.log.projections.VIEWS")
    position = models.BigIntegerField(help_text="of the event")
    problem = models.TextField(help_text="in words")
