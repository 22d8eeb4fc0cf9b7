"""From events to views. `VIEWS` is the index: which view is folded from which events by which function.

A fold reads and changes the rows of its own view, and nothing else: no clock, no other view, no other table. So a view
can be dropped and folded again alone, to the same rows.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass
from typing import Any

from django.db.models import Model

from machines import entries
from scheduling.log import events, models
from scheduling.log.folds import catalogue, forgotten, gaps, machines, notices, outages, planned, runs
from scheduling.log.recorded import Recorded
from scheduling.log.rows import Rows

Fold = Callable[[Rows, Recorded, Any], object]


def _nothing(rows: Rows, fact: Recorded, event: Any) -> None:
    """As if it had never been told."""


@dataclass(frozen=True)
class View:
    """Tables that are folded together.

    Attributes:
        name: of the view.
        tables: its models.
        folds: the function for each kind of event that changes it.
        take_number: what it does with an entry that it goes on without.
    """

    name: str
    tables: tuple[type[Model], ...]
    folds: Mapping[type[Any], Fold]
    take_number: Fold = _nothing


VIEWS: tuple[View, ...] = (
    View("venues", (models.Venue,), {events.VenueAdded: catalogue.venue_added, events.HoursSet: catalogue.hours_set}),
    View("profiles", (models.Profile,), {events.ProfileAdded: catalogue.profile_added}),
    View("sources", (models.Source,), {events.SourceAdded: catalogue.source_added}),
    View("openings", (models.Opening,), {events.OpeningFixed: catalogue.opening_fixed}),
    View(
        "service-windows",
        (models.ServiceWindow,),
        {
            events.ServiceWindowFixed: catalogue.service_window_fixed,
            events.ServiceWindowCalledOff: catalogue.service_window_called_off,
        },
    ),
    View("archives", (models.ClosedStream,), {events.StreamClosed: catalogue.stream_closed}),
    View(
        "machines",
        (models.Machine, models.SupplyChange, models.HandUse),
        {
            events.MachineAdded: machines.machine_added,
            events.MachineCalibrated: machines.machine_calibrated,
            events.NodeEnrolled: machines.node_enrolled,
            events.SilenceBegan: machines.silence_began,
            events.NeverHeard: machines.never_heard,
            events.SilenceEnded: machines.silence_ended,
            entries.NodeStarted: machines.node_started,
            entries.NodeStopped: machines.node_stopped,
            entries.ColumnsPrinted: machines.columns_printed,
            entries.GapSettled: machines.gap_settled,
            entries.TrueAgain: machines.entry_taken,
            entries.StripCut: machines.strip_cut,
            entries.KnifeArmed: machines.knife_armed,
            entries.KnifeDisarmed: machines.knife_disarmed,
            entries.ConditionsChanged: machines.conditions_changed,
            entries.OperatorActed: machines.operator_acted,
            entries.SetTimeCompared: machines.entry_taken,
            entries.SlipMeasured: machines.entry_taken,
            entries.FeedCorrected: machines.entry_taken,
            events.EntrySetAside: machines.entry_taken,
            events.ReportsRefused: machines.reports_refused,
            events.ReportsTakenAgain: machines.reports_taken_again,
        },
        machines.entry_taken,
    ),
    View(
        "runs",
        (models.Run, models.Segment, models.PrintedStretch, models.Strip, models.ToldBefore),
        {
            events.RunPlanned: planned.run_planned,
            events.SegmentsPlanned: runs.segments_planned,
            entries.ColumnsPrinted: runs.columns_printed,
            entries.GapSettled: gaps.gap_settled,
            entries.StripCut: runs.strip_cut,
        },
    ),
    View(
        "outages",
        (models.Outage, models.Override),
        {
            events.RunPlanned: outages.run_planned,
            events.OutageOverridden: outages.outage_overridden,
            events.WordPassedOver: outages.word_passed_over,
            entries.GapSettled: outages.gap_settled,
            entries.TrueAgain: outages.true_again,
            events.SettlementDiffered: outages.settlement_differed,
        },
    ),
    View(
        "notices",
        (models.Notice,),
        {
            events.SilenceBegan: notices.silence_began,
            events.NeverHeard: notices.never_heard,
            events.OutageOverridden: notices.outage_overridden,
            events.WordPassedOver: notices.word_passed_over,
            events.SilenceEnded: notices.silence_ended,
            entries.GapSettled: notices.gap_settled,
            entries.TrueAgain: notices.true_again,
            events.SettlementDiffered: notices.settlement_differed,
            entries.StripCut: notices.strip_cut,
            entries.KnifeArmed: notices.knife_armed,
            entries.ConditionsChanged: notices.conditions_changed,
            entries.OperatorActed: notices.operator_acted,
            entries.SetTimeCompared: notices.set_time_compared,
            entries.SlipMeasured: notices.slip_measured,
            entries.FeedCorrected: notices.feed_corrected,
            events.EntrySetAside: notices.entry_set_aside,
            events.EntryReadInPart: notices.entry_read_in_part,
            events.EntryPassedOver: notices.entry_passed_over,
            events.ReportsRefused: notices.reports_refused,
            events.ReportsTakenAgain: notices.reports_taken_again,
            events.RunNotKnown: forgotten.run_not_known,
            events.RunPlanned: forgotten.run_planned,
            events.EntriesToldAgain: forgotten.entries_told_again,
        },
    ),
)
