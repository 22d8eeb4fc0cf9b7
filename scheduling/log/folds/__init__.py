"""From events to views. `VIEWS` is the index: which view is folded from which events by which function.

A fold reads and changes the rows of its own view, and nothing else: no clock, no other view, no other table. So a view
can be dropped and folded again alone, to the same rows.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass
from typing import Any

from django.db.models import Model

from machines import wire
from scheduling.log import events, models
from scheduling.log.folds import catalogue, gaps, machines, notices, outages, runs
from scheduling.log.recorded import Recorded
from scheduling.log.rows import Rows

Fold = Callable[[Rows, Recorded, Any], object]


@dataclass(frozen=True)
class View:
    """Tables that are folded together.

    Attributes:
        name: of the view.
        tables: its models.
        folds: the function for each kind of event that changes it.
    """

    name: str
    tables: tuple[type[Model], ...]
    folds: Mapping[type[Any], Fold]


VIEWS: tuple[View, ...] = (
    View("venues", (models.Venue,), {events.VenueAdded: catalogue.venue_added, events.HoursSet: catalogue.hours_set}),
    View("profiles", (models.Profile,), {events.ProfileAdded: catalogue.profile_added}),
    View("sources", (models.Source,), {events.SourceAdded: catalogue.source_added}),
    View("openings", (models.Opening,), {events.OpeningFixed: catalogue.opening_fixed}),
    View("archives", (models.ClosedStream,), {events.StreamClosed: catalogue.stream_closed}),
    View(
        "machines",
        (models.Machine, models.SupplyChange, models.HandUse),
        {
            events.MachineAdded: machines.machine_added,
            events.MachineCalibrated: machines.machine_calibrated,
            events.NodeEnrolled: machines.node_enrolled,
            events.SilenceBegan: machines.silence_began,
            events.SilenceEnded: machines.silence_ended,
            wire.NodeStarted: machines.node_started,
            wire.ColumnsPrinted: machines.columns_printed,
            wire.GapSettled: machines.gap_settled,
            wire.TrueAgain: machines.entry_taken,
            wire.StripCut: machines.strip_cut,
            wire.KnifeArmed: machines.knife_armed,
            wire.ConditionsChanged: machines.conditions_changed,
            wire.OperatorActed: machines.operator_acted,
            wire.SetTimeCompared: machines.entry_taken,
            wire.SlipMeasured: machines.entry_taken,
            wire.FeedCorrected: machines.entry_taken,
        },
    ),
    View(
        "runs",
        (models.Run, models.Segment, models.PrintedStretch, models.Strip),
        {
            events.RunPlanned: runs.run_planned,
            events.SegmentsPlanned: runs.segments_planned,
            wire.ColumnsPrinted: runs.columns_printed,
            wire.GapSettled: gaps.gap_settled,
            wire.StripCut: runs.strip_cut,
        },
    ),
    View(
        "outages",
        (models.Outage, models.Override),
        {
            events.OutageOverridden: outages.outage_overridden,
            wire.GapSettled: outages.gap_settled,
            wire.TrueAgain: outages.true_again,
            events.SettlementDiffered: outages.settlement_differed,
        },
    ),
    View(
        "notices",
        (models.Notice,),
        {
            events.SilenceBegan: notices.silence_began,
            events.SilenceEnded: notices.silence_ended,
            wire.GapSettled: notices.gap_settled,
            wire.TrueAgain: notices.true_again,
            events.SettlementDiffered: notices.settlement_differed,
            wire.StripCut: notices.strip_cut,
            wire.KnifeArmed: notices.knife_armed,
            wire.ConditionsChanged: notices.conditions_changed,
            wire.OperatorActed: notices.operator_acted,
            wire.SetTimeCompared: notices.set_time_compared,
            wire.SlipMeasured: notices.slip_measured,
            wire.FeedCorrected: notices.feed_corrected,
        },
    ),
)
