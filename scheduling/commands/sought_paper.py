"""The paper of a machine at an instant, as it would be if a run that was sought was planned there."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from datetime import datetime

from scheduling.answers.paper_at import PaperAt, paper_at
from scheduling.commands.plan_run import PlanRun, by_another_cycle, plan_run, read_run_context
from scheduling.commands.run_search import SoughtRun
from scheduling.queries.machine_context import MachineContext
from scheduling.queries.runs import as_planned


def as_ordered(run: PlanRun, found: SoughtRun) -> PlanRun:
    """The order by which an answer would be planned."""
    return replace(
        run, starts_at=found.starts_at, strips_per_turn=found.strips_per_turn, cycle_options=found.cycle_options
    )


def sought_papers(
    run: PlanRun, answers: Sequence[SoughtRun], context: MachineContext, instants: Sequence[datetime], behind: int
) -> list[PaperAt]:
    """The paper with each of some answers, at an instant of its own.

    Args:
        run: that was sought.
        answers: which beginnings.
        context: its machine, now.
        instants: one of each, UTC.
        behind: how many columns of paper behind the head are looked at, at least.

    Raises:
        InputError: one of them cannot be planned any more.
    """
    read = read_run_context(run)
    papers = []
    for found, at in zip(answers, instants, strict=True):
        command = as_ordered(run, found)
        planned = as_planned(command.id, plan_run(command, by_another_cycle(read, command)))
        papers.append(paper_at(context, at, behind, planned))
    return papers
