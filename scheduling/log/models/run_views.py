"""The views folded from the log, of runs: what is planned, what became of it, outages and people's words on them."""

from __future__ import annotations

from typing import ClassVar

from django.db import models

from scheduling.log.fields import CanonicalJSON
from scheduling.log.models.folded import Folded, reference

# What a machine told of a run, and that cannot be of it: it was planned later, on another machine or otherwise.
NO_RUN = ""


class Run(Folded):
    """A machine prints a source against a cycle over a span."""

    id = models.TextField(primary_key=True)
    machine = reference("Machine")
    source = reference("Source")
    profile = models.TextField(null=True, help_text="the model by which it is printed; null where it names none")
    profile_version = models.IntegerField(default=1)
    source_version = models.IntegerField(default=1)
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
    withdrawn_at = models.DateTimeField(null=True, help_text="null while it is to be printed")
    withdrawn_remark = models.TextField(null=True, help_text="digest of why: a Remark")
    revision = models.IntegerField(default=1, help_text="how often people have said something of it")
    formed = models.IntegerField(
        default=1, help_text="revision since which it is planned as it is: what a board holds of an older one is void"
    )
    changed_at = models.DateTimeField(
        null=True, help_text="when people last changed it before it began; null for never"
    )
    ended_at = models.DateTimeField(null=True, help_text="when people last gave it another end; null for never")
    ended_remark = models.TextField(null=True, help_text="digest of why: a Remark")
    ends = CanonicalJSON(default=list, help_text="the end columns that it had before, in order")
    only_while_open = models.BooleanField(default=False, help_text="closed hours of the venue are recesses, too")
    holds = CanonicalJSON(default=list, help_text="recesses, in order: starts_at, ends_at or null, and by whom")
    beyond = models.BigIntegerField(
        default=0, help_text="columns on the paper beyond its end, of a board that did not know"
    )
    succeeds = models.TextField(null=True, help_text="id of the run that it follows without a gap")
    followed_by = models.TextField(null=True, help_text="id of the run that goes on where it was ended last")
    drawn_columns = models.BigIntegerField(default=0, help_text="columns of those segments whose dots are known")
    drawn_dots = models.BigIntegerField(default=0, help_text="their dots")
    laid_dots = models.BigIntegerField(default=0, help_text="dots of those stretches of it whose dots are known")
    paper_from = models.BigIntegerField(null=True, help_text="place of its first column on the paper; null for none")
    paper_to = models.BigIntegerField(null=True, help_text="place after its furthest column; null for none")

    @property
    def longest_column(self) -> int:
        """The furthest end that it ever had: up to there a board may have printed."""
        return max([int(self.end_column), *map(int, self.ends)])


# Of segments: nothing was told of it yet; something was, and it is open still.
UNTOUCHED = models.Q(outcomes=[], again=[], state="planned")
TOLD_AND_OPEN = (
    ~models.Q(state="withdrawn")
    & ~models.Q(
        end_column=models.F("first_column") + models.F("printed") + models.F("skipped") + models.F("unknown"), again=[]
    )
    & ~models.Q(outcomes=[], again=[])
)


class Segment(Folded):
    """A stretch of a turn, as planned, and what became of it."""

    PLANNED, PRINTING, PRINTED, PARTLY, LEFT_OUT = "planned", "printing", "printed", "partly", "left-out"
    WITHDRAWN = "withdrawn"  # the run ends before it

    pk = models.CompositePrimaryKey("run_id", "number")
    run = reference("Run", db_index=False)
    number = models.BigIntegerField()
    first_column = models.BigIntegerField()
    end_column = models.BigIntegerField()
    starts_at = models.DateTimeField(help_text="with what the timeline has waited")
    ends_at = models.DateTimeField(help_text="with what the timeline has waited")
    knots = CanonicalJSON(help_text="instants as planned, see machines.protocol.messages.SegmentWork")
    plate = models.TextField(help_text="digest")
    dots = models.BigIntegerField(null=True, help_text="of its columns; null where only the plate tells")
    printed = models.IntegerField(default=0)
    skipped = models.IntegerField(default=0)
    unknown = models.IntegerField(default=0)
    outcomes = CanonicalJSON(default=list, help_text="[first, end, outcome] in order; the columns between are due")
    again = CanonicalJSON(default=list, help_text="[first, end] in order, of columns to be printed once more")
    state = models.TextField(default=PLANNED)
    finished_at = models.DateTimeField(null=True, help_text="when its last column had its outcome")
    worst_miss_s = models.FloatField(null=True, help_text="the largest in size, late positive")

    class Meta:
        indexes: ClassVar = [
            # With what the dots of many are counted from.
            models.Index(fields=["run", "first_column", "end_column", "dots"], name="log_segment_columns"),
            models.Index(fields=["run", "number"], name="log_segment_uncounted", condition=models.Q(dots=None)),
            # A machine's week is thousands of segments, and months of them lie behind it. From where to where those lie
            # of which nothing was told is answered without a row being read; of the others a few are open.
            models.Index(
                fields=["run", "number", "first_column", "end_column"],
                name="log_segment_untouched",
                condition=UNTOUCHED,
            ),
            models.Index(fields=["run", "number"], name="log_segment_told", condition=TOLD_AND_OPEN),
        ]


class PrintedStretch(Folded):
    """Columns that lie on the paper side by side, as one report told it."""

    pk = models.CompositePrimaryKey("machine_id", "version")
    machine = reference("Machine", db_index=False)
    version = models.IntegerField(help_text="of the event in the machine's stream")
    run = reference("Run", db_index=False)
    segment = models.BigIntegerField(help_text="number")
    first_column = models.BigIntegerField()
    end_column = models.BigIntegerField()
    paper_position = models.BigIntegerField(help_text="place on the paper of the first, in columns")
    at = models.DateTimeField(help_text="when the last was laid")
    worst_miss_s = models.FloatField()
    dots = models.BigIntegerField(null=True, help_text="of a whole segment that was planned; null for any other")

    class Meta:
        indexes: ClassVar = [
            models.Index(fields=["run", "first_column"], name="log_stretch_columns"),
            models.Index(fields=["run", "paper_position"], name="log_stretch_uncounted", condition=models.Q(dots=None)),
            models.Index(fields=["machine", "paper_position"], name="log_stretch_paper"),
        ]


class ToldBefore(Folded):
    """What a machine told of a run that is not planned here: counted when it is planned on that machine."""

    pk = models.CompositePrimaryKey("machine_id", "version")
    machine = reference("Machine", db_index=False)
    version = models.IntegerField(help_text="of the event in the machine's stream")
    run = reference("Run")
    kind = models.TextField(help_text="of event")
    schema = models.SmallIntegerField(help_text="version of the form of data")
    data = CanonicalJSON(help_text="the event")


class Strip(Folded):
    """The knife came to a strip's boundary."""

    pk = models.CompositePrimaryKey("run_id", "boundary")
    run = reference("Run", db_index=False)
    boundary = models.BigIntegerField(help_text="first running column after the cut")
    paper_position = models.BigIntegerField()
    made = models.BooleanField(help_text="False where the knife was disarmed, or held")
    why = models.TextField(default="", help_text="why the knife was held, or empty")
    at = models.DateTimeField()


class Outage(Folded):
    """Columns were missing, and how that was settled."""

    id = models.TextField(primary_key=True, help_text="the machine and the version of the event in its stream")
    machine = reference("Machine")
    version = models.IntegerField(help_text="of the event in the machine's stream")
    run = reference("Run")
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
    machine = reference("Machine")
    run = reference("Run")
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
