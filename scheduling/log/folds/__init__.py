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
from scheduling.log import models, report_events, server_events, studio_events
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
    View(
        "venues",
        (models.Venue,),
        {studio_events.VenueAdded: catalogue.venue_added, studio_events.HoursSet: catalogue.hours_set},
    ),
    View("profiles", (models.Profile,), {studio_events.ProfileAdded: catalogue.profile_added}),
    View("sources", (models.Source,), {studio_events.SourceAdded: catalogue.source_added}),
    View("openings", (models.Opening,), {studio_events.OpeningFixed: catalogue.opening_fixed}),
    View(
        "service-windows",
        (models.ServiceWindow,),
        {
            studio_events.ServiceWindowFixed: catalogue.service_window_fixed,
            studio_events.ServiceWindowCalledOff: catalogue.service_window_called_off,
        },
    ),
    View("archives", (models.ClosedStream,), {server_events.StreamClosed: catalogue.stream_closed}),
    View(
        "machines",
        (models.Machine, models.SupplyChange, models.HandUse),
        {
            studio_events.MachineAdded: machines.machine_added,
            studio_events.MachineCalibrated: machines.machine_calibrated,
            server_events.NodeEnrolled: machines.node_enrolled,
            server_events.SilenceBegan: machines.silence_began,
            server_events.NeverHeard: machines.never_heard,
            server_events.SilenceEnded: machines.silence_ended,
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
            report_events.EntrySetAside: machines.entry_taken,
            report_events.EntryToldTwice: machines.entry_taken,
            report_events.ReportsRefused: machines.reports_refused,
            report_events.ReportsTakenAgain: machines.reports_taken_again,
        },
        machines.entry_taken,
    ),
    View(
        "runs",
        (models.Run, models.Segment, models.PrintedStretch, models.Strip, models.ToldBefore),
        {
            studio_events.RunPlanned: planned.run_planned,
            studio_events.SegmentsPlanned: runs.segments_planned,
            entries.ColumnsPrinted: runs.columns_printed,
            entries.GapSettled: gaps.gap_settled,
            entries.StripCut: runs.strip_cut,
        },
    ),
    View(
        "outages",
        (models.Outage, models.Override),
        {
            studio_events.RunPlanned: outages.run_planned,
            server_events.OutageOverridden: outages.outage_overridden,
            report_events.WordPassedOver: outages.word_passed_over,
            entries.GapSettled: outages.gap_settled,
            entries.TrueAgain: outages.true_again,
            report_events.SettlementDiffered: outages.settlement_differed,
        },
    ),
    View(
        "notices",
        (models.Notice,),
        {
            server_events.SilenceBegan: notices.silence_began,
            server_events.NeverHeard: notices.never_heard,
            server_events.OutageOverridden: notices.outage_overridden,
            report_events.WordPassedOver: notices.word_passed_over,
            server_events.SilenceEnded: notices.silence_ended,
            entries.GapSettled: notices.gap_settled,
            entries.TrueAgain: notices.true_again,
            report_events.SettlementDiffered: notices.settlement_differed,
            entries.StripCut: notices.strip_cut,
            entries.KnifeArmed: notices.knife_armed,
            entries.ConditionsChanged: notices.conditions_changed,
            entries.OperatorActed: notices.operator_acted,
            entries.SetTimeCompared: notices.set_time_compared,
            entries.SlipMeasured: notices.slip_measured,
            entries.FeedCorrected: notices.feed_corrected,
            report_events.EntrySetAside: notices.entry_set_aside,
            report_events.EntryReadInPart: notices.entry_read_in_part,
            report_events.EntryPassedOver: notices.entry_passed_over,
            report_events.ReportsRefused: notices.reports_refused,
            report_events.ReportsTakenAgain: notices.reports_taken_again,
            report_events.RunNotKnown: forgotten.run_not_known,
            studio_events.RunPlanned: forgotten.run_planned,
            report_events.EntriesToldAgain: forgotten.entries_told_again,
        },
    ),
)
