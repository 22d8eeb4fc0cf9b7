"""The views folded from the log, of venues, machines and what stands there; of runs, see `run_views.py`."""

from __future__ import annotations

from django.db import models

from scheduling.log.fields import CanonicalJSON
from scheduling.log.models.folded import Folded, reference


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
    quiet = CanonicalJSON(
        null=True, help_text="a scheduling.planning.quiet_hours.QuietHours; null while nobody has set any"
    )
    contacts_set_at = models.DateTimeField(null=True, help_text="when it was last said whom to ring; null for never")
    retired_at = models.DateTimeField(null=True, help_text="null while it is used")


class Profile(Folded):
    """A model of machine."""

    id = models.TextField(primary_key=True)
    name = models.TextField()
    data = CanonicalJSON(help_text="a machines.model.profile.Profile: its newest version")
    version = models.IntegerField(default=1, help_text="number of its newest version, from 1")
    retired_at = models.DateTimeField(null=True, help_text="null while it is used")


class ProfileVersion(Folded):
    """A model of machine as a version of it says, the newest among them."""

    pk = models.CompositePrimaryKey("profile_id", "number")
    profile = reference("Profile", db_index=False)
    number = models.IntegerField(help_text="from 1")
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
    version = models.IntegerField(default=1, help_text="number of its newest version, from 1")
    retired_at = models.DateTimeField(null=True, help_text="null while it is used")


class SourceVersion(Folded):
    """What can be printed as a version of it says, the newest among them."""

    pk = models.CompositePrimaryKey("source_id", "number")
    source = reference("Source", db_index=False)
    number = models.IntegerField(help_text="from 1")
    picture = CanonicalJSON(help_text="a picture of machines.imaging.pictures")
    upload = models.TextField(null=True, help_text="SHA-256 of the file that it is drawn from")
    method = models.TextField(default="blue-noise", help_text="a machines.imaging.halftone.Method")
    curve = CanonicalJSON(null=True, help_text="a machines.imaging.dot_gain.ToneCurve")


class Machine(Folded):
    """A machine, as its node and the watch told it."""

    id = models.TextField(primary_key=True)
    name = models.TextField()
    venue = reference("Venue")
    profile = reference("Profile")
    unnamed_profile = models.TextField(help_text="the model of those of its runs that name none")
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
    retired_at = models.DateTimeField(null=True, help_text="null while it is used")
    moved_away = CanonicalJSON(
        default=list, help_text="[run, first column, formed] of the newest runs that were moved to other machines"
    )


class SupplyChange(Folded):
    """A person changed the roll, the cartridge or the blade of a machine."""

    ROLL, CARTRIDGE, BLADE = "roll", "cartridge", "blade"

    pk = models.CompositePrimaryKey("machine_id", "version")
    machine = reference("Machine", db_index=False)
    version = models.IntegerField(help_text="of the event in the machine's stream")
    part = models.TextField(help_text="roll, cartridge or blade")
    at = models.DateTimeField()
    paper_position = models.BigIntegerField(help_text="columns of paper that had been fed by then")


class HandUse(Folded):
    """What a person had fed, printed or cut beside every run, or the paper that counts as used since its place was
    told."""

    pk = models.CompositePrimaryKey("machine_id", "version")
    machine = reference("Machine", db_index=False)
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
    venue = reference("Venue")
    name = models.TextField()
    anchor = CanonicalJSON(help_text="how the curator named the instant")
    opens_at = models.DateTimeField()
    closing = CanonicalJSON(null=True, help_text="how the curator named its end; null where nobody did")
    closes_at = models.DateTimeField(null=True)
    called_off_at = models.DateTimeField(null=True, help_text="null while it stands")
    called_off_remark = models.TextField(null=True, help_text="digest of why: a Remark")
    series = models.TextField(null=True, db_index=True, help_text="id of the one that it is of; null for none")
    series_date = models.TextField(null=True, help_text="local date of its series' rule; null where that has none")
    on_its_own = models.BooleanField(default=False, help_text="changed by itself: it follows its series no more")


class OpeningSeries(Folded):
    """Openings that recur, or are held at several venues."""

    id = models.TextField(primary_key=True)
    name = models.TextField()
    venues = CanonicalJSON(help_text="ids")
    together = models.TextField(help_text="instant or local: how those at several venues belong together")
    anchor = CanonicalJSON(help_text="how the curator named the instant of the first")
    closing = CanonicalJSON(null=True, help_text="how the curator named its end; null where nobody did")
    rule = models.TextField(null=True, help_text="of RFC 5545, by which it recurs; null where it is once")
    dates_off = CanonicalJSON(default=list, help_text="local dates on which it is not, in order")
    called_off_at = models.DateTimeField(null=True, help_text="null while it stands")
    called_off_remark = models.TextField(null=True, help_text="digest of why: a Remark")


class ServiceWindow(Folded):
    """Somebody with hands will be there."""

    id = models.TextField(primary_key=True)
    venue = reference("Venue")
    name = models.TextField()
    comes = CanonicalJSON(help_text="a scheduling.planning.service_windows.Comes")
    begins_at = models.DateTimeField(null=True, help_text="of one that comes once; null for a weekly one")
    called_off_at = models.DateTimeField(null=True)
    called_off_because = models.TextField(null=True, help_text="why, where it stands in the event")
    called_off_remark = models.TextField(null=True, help_text="digest of why: a Remark")
    dates_off = CanonicalJSON(default=list, help_text="local dates on which a weekly one does not begin, in order")


class Notice(Folded):
    """Something that a person should know; open until ``cleared_at``."""

    id = models.TextField(primary_key=True, help_text="machine, version of the event in its stream, kind")
    machine = reference("Machine")
    kind = models.TextField()
    said = models.TextField(help_text="in words")
    raised_at = models.DateTimeField()
    cleared_at = models.DateTimeField(null=True)
    run = models.TextField(null=True, help_text="the run whose planning clears it; null for none")
    opening = models.TextField(null=True, help_text="id of the opening that it is of; null for none")


class ClosedStream(Folded):
    """A stream that was taken out of the log into an archive file."""

    stream = models.TextField(primary_key=True)
    version = models.IntegerField(help_text="of its last event, which is how many it had")
    digest = models.TextField(help_text="of its last event")
    file_digest = models.TextField(help_text="SHA-256 of the archive file")
    closed_at = models.DateTimeField()
