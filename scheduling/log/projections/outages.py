"""The view of outages: what was missing, how it was settled, and when the machine was true to the sky again."""

from __future__ import annotations

from machines.protocol.journal_entries import GapSettled, TrueAgain
from machines.serialization import unstructure
from scheduling.log.events.plans import RunPlanned
from scheduling.log.events.reports import SettlementDiffered, WordPassedOver
from scheduling.log.events.server import OutageOverridden
from scheduling.log.models import NO_RUN, Outage, Override
from scheduling.log.recorded import Recorded
from scheduling.log.rows.row_cache import Rows


def run_planned(rows: Rows, fact: Recorded, event: RunPlanned) -> None:
    """An outage that was told of a run before it was planned, and that cannot be of it, is of no run."""
    for outage in rows.change_where(Outage, run_id=fact.subject):
        if outage.machine_id != event.machine or outage.version in event.without:
            outage.run_id = NO_RUN


def gap_settled(rows: Rows, fact: Recorded, event: GapSettled) -> None:
    """An outage. Where nothing is printed late, the machine is true again with the next column that it lays, and so is
    what was being made good before: the paper is one line, and a later gap takes over from an earlier one."""
    is_over = event.decision.late == 0
    if is_over:
        true_again(rows, fact, event)
    outage = rows.put(
        Outage,
        id=f"{fact.subject}-{fact.version}",
        machine_id=fact.subject,
        version=fact.version,
        run_id=event.run,
        seq=event.seq,
        cause=event.gap.cause,
        noticed_at=event.gap.noticed_at,
        gap=unstructure(event.gap),
        policy=unstructure(event.policy),
        decision=unstructure(event.decision),
        true_again_at=event.at if is_over else None,
    )
    if (given := event.gap.override) is not None:
        outage.override = given.id
        override = rows.change(Override, given.id)
        if override is not None and override.machine_id == fact.subject:
            override.used_by = outage.id


def outage_overridden(rows: Rows, fact: Recorded, event: OutageOverridden) -> None:
    """A person's word, which waits for the node to settle by it."""
    rows.put(
        Override,
        id=event.override.id,
        machine_id=fact.subject,
        run_id=event.run,
        because=event.because,
        outage=event.outage,
        rule=unstructure(event.override.rule),
        reason=event.reason,
        remark=event.remark,
        given_at=event.override.given_at,
        given_by=fact.actor,
    )


def word_passed_over(rows: Rows, fact: Recorded, event: WordPassedOver) -> None:
    """What it was about is over, and it was not followed."""
    override = rows.change(Override, event.override)
    if override is not None and override.machine_id == fact.subject:
        override.passed_over_at = event.over_at


def true_again(rows: Rows, fact: Recorded, event: TrueAgain | GapSettled) -> None:
    """Every replay of the run has caught up: an outage within a replay is replayed with it."""
    for outage in rows.change_where(Outage, machine_id=fact.subject, run_id=event.run, true_again_at=None):
        outage.true_again_at = event.at


def settlement_differed(rows: Rows, fact: Recorded, event: SettlementDiffered) -> None:
    """The server would have settled the newest outage of that number otherwise; a new board counts from 1 again."""
    outages = rows.change_where(Outage, machine_id=fact.subject, run_id=event.run, seq=event.seq)
    if outages:
        max(outages, key=lambda outage: outage.version).differs = unstructure(event.ours)
