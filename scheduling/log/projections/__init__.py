"""From events to views. `VIEWS` is the index: which view is folded from which events by which function.

A fold reads and changes the rows of its own view, and nothing else: no clock, no other view, no other table. So a view
can be dropped and folded again alone, to the same rows.
"""

from __future__ import annotations

from collections.abc import Callable, Collection, Mapping
from dataclasses import dataclass
from typing import Any

from django.db.models import Model

from machines.protocol import journal_entries
from scheduling.log import models
from scheduling.log.events import equipment, plans, reports, server, visits
from scheduling.log.projections import catalogue, ends, forgotten, gaps, machines, notices, outages, planned, runs
from scheduling.log.recorded import Recorded
from scheduling.log.rows.row_cache import Rows

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
        {
            equipment.VenueAdded: catalogue.venue_added,
            equipment.VenueChanged: catalogue.venue_changed,
            equipment.VenueRetired: catalogue.venue_retired,
            equipment.VenueTakenBack: catalogue.venue_taken_back,
            equipment.HoursSet: catalogue.hours_set,
            equipment.QuietHoursSet: catalogue.quiet_hours_set,
            equipment.ContactsSet: catalogue.contacts_set,
        },
    ),
    View(
        "profiles",
        (models.Profile, models.ProfileVersion),
        {
            equipment.ProfileAdded: catalogue.profile_added,
            equipment.ProfileChanged: catalogue.profile_changed,
            equipment.ProfileRetired: catalogue.profile_retired,
            equipment.ProfileTakenBack: catalogue.profile_taken_back,
        },
    ),
    View(
        "sources",
        (models.Source, models.SourceVersion),
        {
            equipment.SourceAdded: catalogue.source_added,
            equipment.SourceChanged: catalogue.source_changed,
            equipment.SourceRetired: catalogue.source_retired,
            equipment.SourceTakenBack: catalogue.source_taken_back,
        },
    ),
    View(
        "openings",
        (models.Opening,),
        {
            visits.OpeningFixed: catalogue.opening_fixed,
            visits.OpeningCalledOff: catalogue.opening_called_off,
        },
    ),
    View(
        "opening-series",
        (models.OpeningSeries,),
        {
            visits.OpeningSeriesFixed: catalogue.opening_series_fixed,
            visits.OpeningSeriesCalledOff: catalogue.opening_series_called_off,
        },
    ),
    View(
        "service-windows",
        (models.ServiceWindow,),
        {
            visits.ServiceWindowFixed: catalogue.service_window_fixed,
            visits.ServiceWindowCalledOff: catalogue.service_window_called_off,
        },
    ),
    View("archives", (models.ClosedStream,), {server.StreamClosed: catalogue.stream_closed}),
    View(
        "machines",
        (models.Machine, models.SupplyChange, models.HandUse),
        {
            equipment.MachineAdded: machines.machine_added,
            equipment.MachineChanged: machines.machine_changed,
            equipment.MachineRetired: machines.machine_retired,
            equipment.MachineTakenBack: machines.machine_taken_back,
            equipment.MachineCalibrated: machines.machine_calibrated,
            server.NodeEnrolled: machines.node_enrolled,
            server.SilenceBegan: machines.silence_began,
            server.NeverHeard: machines.never_heard,
            server.SilenceEnded: machines.silence_ended,
            plans.RunMovedAway: machines.run_moved_away,
            plans.RunChanged: machines.run_changed,
            journal_entries.NodeStarted: machines.node_started,
            journal_entries.NodeStopped: machines.node_stopped,
            journal_entries.ColumnsPrinted: machines.columns_printed,
            journal_entries.GapSettled: machines.gap_settled,
            journal_entries.TrueAgain: machines.entry_taken,
            journal_entries.StripCut: machines.strip_cut,
            journal_entries.KnifeArmed: machines.knife_armed,
            journal_entries.KnifeDisarmed: machines.knife_disarmed,
            journal_entries.ConditionsChanged: machines.conditions_changed,
            journal_entries.OperatorActed: machines.operator_acted,
            journal_entries.SetTimeCompared: machines.entry_taken,
            journal_entries.SlipMeasured: machines.entry_taken,
            journal_entries.FeedCorrected: machines.entry_taken,
            reports.EntrySetAside: machines.entry_taken,
            reports.EntryToldTwice: machines.entry_taken,
            reports.PrintedByEarlierPlan: machines.columns_printed,
            reports.ReportsRefused: machines.reports_refused,
            reports.ReportsTakenAgain: machines.reports_taken_again,
        },
        machines.entry_taken,
    ),
    View(
        "runs",
        (models.Run, models.Segment, models.PrintedStretch, models.Strip, models.ToldBefore),
        {
            plans.RunPlanned: planned.run_planned,
            plans.SegmentsPlanned: runs.segments_planned,
            plans.RunChanged: runs.run_changed,
            plans.RunWithdrawn: runs.run_withdrawn,
            reports.PrintedByEarlierPlan: runs.printed_by_earlier_plan,
            plans.RunEnded: ends.run_ended,
            plans.RunHeld: runs.run_held,
            plans.RunContinued: runs.run_held,
            journal_entries.ColumnsPrinted: runs.columns_printed,
            journal_entries.GapSettled: gaps.gap_settled,
            journal_entries.StripCut: runs.strip_cut,
        },
    ),
    View(
        "outages",
        (models.Outage, models.Override),
        {
            plans.RunPlanned: outages.run_planned,
            server.OutageOverridden: outages.outage_overridden,
            reports.WordPassedOver: outages.word_passed_over,
            journal_entries.GapSettled: outages.gap_settled,
            journal_entries.TrueAgain: outages.true_again,
            reports.SettlementDiffered: outages.settlement_differed,
        },
    ),
    View(
        "notices",
        (models.Notice,),
        {
            equipment.MachineRetired: notices.machine_retired,
            server.NodeEnrolled: notices.node_enrolled,
            server.SilenceBegan: notices.silence_began,
            server.NeverHeard: notices.never_heard,
            server.OutageOverridden: notices.outage_overridden,
            server.OpeningDoubted: notices.opening_doubted,
            server.OpeningNotDoubted: notices.opening_not_doubted,
            reports.WordPassedOver: notices.word_passed_over,
            server.SilenceEnded: notices.silence_ended,
            journal_entries.GapSettled: notices.gap_settled,
            journal_entries.TrueAgain: notices.true_again,
            reports.SettlementDiffered: notices.settlement_differed,
            journal_entries.StripCut: notices.strip_cut,
            journal_entries.KnifeArmed: notices.knife_armed,
            journal_entries.ConditionsChanged: notices.conditions_changed,
            journal_entries.OperatorActed: notices.operator_acted,
            journal_entries.SetTimeCompared: notices.set_time_compared,
            journal_entries.SlipMeasured: notices.slip_measured,
            journal_entries.FeedCorrected: notices.feed_corrected,
            reports.EntrySetAside: notices.entry_set_aside,
            reports.EntryReadInPart: notices.entry_read_in_part,
            reports.EntryPassedOver: notices.entry_passed_over,
            reports.ReportsRefused: notices.reports_refused,
            reports.ReportsTakenAgain: notices.reports_taken_again,
            reports.RunNotKnown: forgotten.run_not_known,
            reports.PrintedByEarlierPlan: notices.printed_by_earlier_plan,
            reports.PrintedThoughWithdrawn: notices.printed_though_withdrawn,
            plans.RunPlanned: forgotten.run_planned,
            reports.EntriesToldAgain: forgotten.entries_told_again,
        },
    ),
)


def views_of(tables: Collection[type[Model]]) -> tuple[View, ...]:
    """The views that hold some tables."""
    return tuple(view for view in VIEWS if set(view.tables) & set(tables))
