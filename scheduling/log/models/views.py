"""The views folded from the log.

A view's row is named by what its first event named, never by a counter, so that folding again gives the same row. The
references between views are not enforced by the database: each view can be dropped and folded alone.
"""

from __future__ import annotations

from typing import Any, ClassVar

from django.db import models
from django.db.models.base import ModelState
from django.utils.functional import cached_property

from scheduling.log.fields import CanonicalJSON

# What a machine told of a run, and that cannot be of it: it was planned later, on another machine or otherwise.
NO_RUN = ""


def _reference(to: str, **options: Any) -> Any:
    return models.ForeignKey(to, on_delete=models.DO_NOTHING, db_constraint=False, related_name="+", **options)


class Folded(models.Model):
    """A row of a view. Folding makes very many: what Django keeps beside a row is made when somebody asks for it."""

    class Meta:
        abstract = True

    @cached_property
    def _state(self) -> ModelState:  # type: ignore[override]  # it can be set, as any cached property
        return ModelState()


class Venue(Folded):
    """A place where machines stand."""

    id = models.TextField(primary_key=True)
    name = models.TextField()
    latitude_degrees = models.FloatField(help_text="north positive")
    longitude_degrees = models.FloatField(help_text="east positive")
    elevation_m = models.FloatField()
    zone = models.TextField(help_text="IANA name")
    hours = CanonicalJSON(
        null=True, help_text="a scheduling.planning.opening_hours.Hours; null while nobody has set any"
    )


class Profile(Folded):
    """A model of machine."""

    id = models.TextField(primary_key=True)
    name = models.TextField()
    data = CanonicalJSON(help_text="a machines.model.profile.Profile")


class Source(Folded):
    """What can be printed."""

    id = models.TextField(primary_key=True)
    name = models.TextField()
    kind = models.TextField(help_text="of picture")
    picture = CanonicalJSON(help_text="a picture of machines.imaging.pictures")
    upload = models.TextField(null=True, help_text="SHA-256 of the file that it is drawn from")
    method = models.TextField(default="blue-noise", help_text="a machines.imaging.halftone.Method")
    curve = CanonicalJSON(null=True, help_text="a machines.imaging.dot_gain.ToneCurve")


class Machine(Folded):
    """A machine, as its node and the watch told it."""

    id = models.TextField(primary_key=True)
    name = models.TextField()
    venue = _reference("Venue")
    profile = _reference("Profile")
    epoch = models.IntegerField(default=0, help_text="of its newest enrolment; 0 before the first")
    accepted_through = models.BigIntegerField(
        default=0, help_text="newest entry of this epoch's journal that was taken"
    )
    knife_armed = models.BooleanField(default=False)
    conditions = CanonicalJSON(default=list, help_text="keywords of RFC 8011 and PWG 5100.9")
    silent_since = models.DateTimeField(null=True)
    paper_position = models.BigIntegerField(default=0, help_text="columns of paper known to be fed since the first")
    last_reported_at = models.DateTimeField(null=True, help_text="when its newest report was taken")
    hold = models.TextField(
        default="", help_text="what holds it until a person lets it go on: see machines.operator.holds"
    )
    held_since = models.DateTimeField(null=True)
    stopped_at = models.DateTimeField(
        null=True, help_text="when its agent ended in order; null while one runs, as far as is known"
    )
    calibration = CanonicalJSON(
        null=True, help_text="a machines.model.calibration.Calibration; null while nobody measured"
    )
    refused_since = models.DateTimeField(null=True, help_text="since when its reports are refused")


class SupplyChange(Folded):
    """A person changed the roll, the cartridge or the blade of a machine."""

    ROLL, CARTRIDGE, BLADE = "roll", "cartridge", "blade"

    pk = models.CompositePrimaryKey("machine_id", "version")
    machine = _reference("Machine", db_index=False)
    version = models.IntegerField(help_text="of the event in the machine's stream")
    part = models.TextField(help_text="roll, cartridge or blade")
    at = models.DateTimeField()
    paper_position = models.BigIntegerField(help_text="columns of paper that had been fed by then")


class HandUse(Folded):
    """What a person had fed, printed or cut beside every run, or the paper that counts as used since its place was
    told."""

    pk = models.CompositePrimaryKey("machine_id", "version")
    machine = _reference("Machine", db_index=False)
    version = models.IntegerField(help_text="of the event in the machine's stream")
    action = models.TextField(help_text="feed, cut, test-pattern or place-set")
    pattern = models.TextField(null=True, help_text="of a test pattern, which")
    paper_position = models.BigIntegerField(help_text="place on the paper where it began, or was cut")
    paper_columns = models.BigIntegerField(help_text="of paper that it took")
    seen_done = models.BooleanField(help_text="False where it was not finished, as far as anybody saw")
    at = models.DateTimeField()


class Opening(Folded):
    """Doors open."""

    id = models.TextField(primary_key=True)
    venue = _reference("Venue")
    name = models.TextField()
    anchor = CanonicalJSON(help_text="how the curator named the instant")
    opens_at = models.DateTimeField()
    closing = CanonicalJSON(null=True, help_text="how the curator named its end; null where nobody did")
    closes_at = models.DateTimeField(null=True)
    called_off_at = models.DateTimeField(null=True, help_text="null while it stands")
    called_off_remark = models.TextField(null=True, help_text="digest of why: a Remark")


class ServiceWindow(Folded):
    """Somebody with hands will be there."""

    id = models.TextField(primary_key=True)
    venue = _reference("Venue")
    name = models.TextField()
    comes = CanonicalJSON(help_text="a scheduling.planning.service_windows.Comes")
    begins_at = models.DateTimeField(null=True, help_text="of one that comes once; null for a weekly one")
    called_off_at = models.DateTimeField(null=True)
    called_off_because = models.TextField(null=True, help_text="why, where it stands in the event")
    called_off_remark = models.TextField(null=True, help_text="digest of why: a Remark")
    dates_off = CanonicalJSON(default=list, help_text="local dates on which a weekly one does not begin, in order")


class Run(Folded):
    """A machine prints a source against a cycle over a span."""

    id = models.TextField(primary_key=True)
    machine = _reference("Machine")
    source = _reference("Source")
    cycle = models.TextField()
    cycle_options = CanonicalJSON()
    segments_per_turn = models.IntegerField()
    strips_per_turn = models.IntegerField()
    starts_at = models.DateTimeField()
    ends_at = models.DateTimeField()
    first_column = models.BigIntegerField()
    end_column = models.BigIntegerField()
    policy = CanonicalJSON(help_text="a machines.recovery.Policy")
    nozzle_seed = models.BigIntegerField()
    mean_turn_s = models.FloatField()
    planned_to_column = models.BigIntegerField(help_text="end of the segments planned so far")
    printed = models.BigIntegerField(default=0, help_text="columns on the paper")
    skipped = models.BigIntegerField(default=0, help_text="columns left out by decision, fed blank or not")
    unknown = models.BigIntegerField(default=0, help_text="columns perhaps on the paper")
    ahead = CanonicalJSON(default=list, help_text="outcomes of columns that no planned segment holds yet")
    again = models.BigIntegerField(default=0, help_text="columns that are to be printed once more")
    repeated = models.BigIntegerField(default=0, help_text="columns that were printed once more")
    shift_s = models.FloatField(default=0.0, help_text="how long its timeline has waited, seconds")
    shifts = CanonicalJSON(default=list, help_text="[column, seconds]: from that column on all is later by so much")


class Segment(Folded):
    """A stretch of a turn, as planned, and what became of it."""

    PLANNED, PRINTING, PRINTED, PARTLY, LEFT_OUT = "planned", "printing", "printed", "partly", "left-out"

    pk = models.CompositePrimaryKey("run_id", "number")
    run = _reference("Run", db_index=False)
    number = models.BigIntegerField()
    first_column = models.BigIntegerField()
    end_column = models.BigIntegerField()
    starts_at = models.DateTimeField(help_text="with what the timeline has waited")
    ends_at = models.DateTimeField(help_text="with what the timeline has waited")
    knots = CanonicalJSON(help_text="instants as planned, see machines.protocol.messages.SegmentWork")
    plate = models.TextField(help_text="digest")
    printed = models.IntegerField(default=0)
    skipped = models.IntegerField(default=0)
    unknown = models.IntegerField(default=0)
    outcomes = CanonicalJSON(default=list, help_text="[first, end, outcome] in order; the columns between are due")
    again = CanonicalJSON(default=list, help_text="[first, end] in order, of columns to be printed once more")
    state = models.TextField(default=PLANNED)
    finished_at = models.DateTimeField(null=True, help_text="when its last column had its outcome")
    worst_miss_s = models.FloatField(null=True, help_text="the largest in size, late positive")

    class Meta:
        indexes: ClassVar = [models.Index(fields=["run", "first_column"], name="log_segment_columns")]


class PrintedStretch(Folded):
    """Columns that lie on the paper side by side, as one report told it."""

    pk = models.CompositePrimaryKey("machine_id", "version")
    machine = _reference("Machine", db_index=False)
    version = models.IntegerField(help_text="of the event in the machine's stream")
    run = _reference("Run", db_index=False)
    segment = models.BigIntegerField(help_text="number")
    first_column = models.BigIntegerField()
    end_column = models.BigIntegerField()
    paper_position = models.BigIntegerField(help_text="place on the paper of the first, in columns")
    at = models.DateTimeField(help_text="when the last was laid")
    worst_miss_s = models.FloatField()

    class Meta:
        indexes: ClassVar = [
            models.Index(fields=["run", "first_column"], name="log_stretch_columns"),
            models.Index(fields=["machine", "paper_position"], name="log_stretch_paper"),
        ]


class ToldBefore(Folded):
    """What a machine told of a run that is not planned here: counted when it is planned on that machine."""

    pk = models.CompositePrimaryKey("machine_id", "version")
    machine = _reference("Machine", db_index=False)
    version = models.IntegerField(help_text="of the event in the machine's stream")
    run = _reference("Run")
    kind = models.TextField(help_text="of event")
    schema = models.SmallIntegerField(help_text="version of the form of data")
    data = CanonicalJSON(help_text="the event")


class Strip(Folded):
    """The knife came to a strip's boundary."""

    pk = models.CompositePrimaryKey("run_id", "boundary")
    run = _reference("Run", db_index=False)
    boundary = models.BigIntegerField(help_text="first running column after the cut")
    paper_position = models.BigIntegerField()
    made = models.BooleanField(help_text="False where the knife was disarmed")
    at = models.DateTimeField()


class Outage(Folded):
    """Columns were missing, and how that was settled."""

    id = models.TextField(primary_key=True, help_text="the machine and the version of the event in its stream")
    machine = _reference("Machine")
    version = models.IntegerField(help_text="of the event in the machine's stream")
    run = _reference("Run")
    seq = models.BigIntegerField(help_text="of the entry in the node's journal")
    cause = models.TextField()
    noticed_at = models.DateTimeField()
    gap = CanonicalJSON(help_text="a machines.recovery.Gap")
    policy = CanonicalJSON(help_text="a machines.recovery.Policy")
    decision = CanonicalJSON(help_text="a machines.recovery.Decision")
    differs = CanonicalJSON(null=True, help_text="the server's decision where it was another")
    override = models.TextField(null=True, help_text="id of the person's word that it was settled by")
    true_again_at = models.DateTimeField(null=True, help_text="when a column was laid at its instant again")


class Override(Folded):
    """A person's word on an outage while it was open."""

    id = models.TextField(primary_key=True, help_text="the machine and the version of the event in its stream")
    machine = _reference("Machine")
    run = _reference("Run")
    because = models.TextField(help_text="what was open: see scheduling.log.events.server.OutageOverridden")
    outage = models.TextField(null=True, help_text="id of the outage that was being made good")
    rule = CanonicalJSON(help_text="a machines.recovery.Rule")
    reason = models.TextField(null=True, help_text="why, where it stands in the event")
    remark = models.TextField(null=True, help_text="digest of why: a Remark")
    given_at = models.DateTimeField()
    given_by = models.TextField(help_text="an account's id")
    used_by = models.TextField(null=True, help_text="id of the outage that was settled by it; null for none yet")
    passed_over_at = models.DateTimeField(
        null=True, help_text="when what it was about was over, and it was not followed; null if it was not"
    )


class Notice(Folded):
    """Something that a person should know; open until ``cleared_at``."""

    id = models.TextField(primary_key=True, help_text="machine, version of the event in its stream, kind")
    machine = _reference("Machine")
    kind = models.TextField()
    said = models.TextField(help_text="in words")
    raised_at = models.DateTimeField()
    cleared_at = models.DateTimeField(null=True)
    run = models.TextField(null=True, help_text="the run whose planning clears it; null for none")


class ClosedStream(Folded):
    """A stream that was taken out of the log into an archive file."""

    stream = models.TextField(primary_key=True)
    version = models.IntegerField(help_text="of its last event, which is how many it had")
    digest = models.TextField(help_text="of its last event")
    file_digest = models.TextField(help_text="SHA-256 of the archive file")
    closed_at = models.DateTimeField()
