"""A run that is sought: of all its beginnings within a span, those that come nearest to what is wished of it.

A plain search. Each beginning is planned as an order would be, in whole columns, and looked at with what an order is
checked with: nothing is reckoned here in another way. Where a cycle turns by itself (a period), its epoch is moved to
where an instant wants it, too.
"""

from __future__ import annotations

from collections.abc import Sequence
from contextlib import suppress
from dataclasses import dataclass, replace
from datetime import datetime, timedelta
from itertools import product
from math import ceil
from typing import Any
from zoneinfo import ZoneInfo

from machines.clock import utc
from machines.errors import InputError
from machines.serialization import format_instant, parse_instant
from scheduling.commands.plan_run import (
    PlanRun,
    RunContext,
    by_another_cycle,
    plan_run,
    read_run_context,
    require_begins_ahead,
)
from scheduling.commands.preview_run import columns_to_come
from scheduling.commands.run_wishes import AT_AN_INSTANT, Wish
from scheduling.commands.wishes_met import Met, met
from scheduling.log.models import Run
from scheduling.paper.next_passage import OnRun
from scheduling.queries.machine_context import MachineContext, machine_context
from scheduling.queries.runs import as_planned
from scheduling.supplies.part_ends import PartEnd, part_ends
from scheduling.venues.quiet import quiet_of

STEPS_S = (900, 1800, 3600, 7200, 10_800, 21_600, 43_200, 86_400)
MOST_STARTS = 200
MOST_TRIED = 240
MOST_WISHES = 8
MOST_ANSWERS = 5
MOST_COUNTS = 4
MOST_CHANGES = 400
LONGEST = timedelta(days=198)


@dataclass(frozen=True, kw_only=True)
class SeekRun:
    """A run of which the beginning is open.

    Attributes:
        run: as it would be planned; from when on is sought, the end stays.
        earliest, latest: between which it may begin, UTC.
        wishes: what it is to do.
        strips_per_turn: other counts of strips that may be, besides the run's own; at most 4.
    """

    run: PlanRun
    earliest: datetime
    latest: datetime
    wishes: tuple[Wish, ...]
    strips_per_turn: tuple[int, ...] = ()

    def __post_init__(self) -> None:
        if self.latest < self.earliest:
            raise InputError("latest", "before earliest", "give a later instant")
        if self.latest - self.earliest > LONGEST:
            raise InputError("latest", f"more than {LONGEST.days} days after earliest", "seek in a shorter span")
        if self.latest >= self.run.ends_at:
            raise InputError("latest", "not before the run ends", "give an earlier one, or a later ends_at")
        if not 1 <= len(self.wishes) <= MOST_WISHES:
            raise InputError("wishes", f"{len(self.wishes)} wishes", f"give 1 to {MOST_WISHES}")
        if len(self.strips_per_turn) > MOST_COUNTS:
            raise InputError("strips_per_turn", f"{len(self.strips_per_turn)} counts", f"give at most {MOST_COUNTS}")


@dataclass(frozen=True, kw_only=True)
class SoughtRun:
    """A beginning that was found.

    Attributes:
        starts_at, strips_per_turn, cycle_options: to order the run with.
        first_column, end_column: running columns that it would hold, the end excluded.
        off_h: how far it is from all wishes, hours, each by its weight; 0 where all are kept.
        wishes: how near it comes to each, in their order.
    """

    starts_at: datetime
    strips_per_turn: int
    cycle_options: dict[str, Any]
    first_column: int
    end_column: int
    off_h: float
    wishes: tuple[Met, ...]


@dataclass(frozen=True, kw_only=True)
class RunSearch:
    """What was found.

    Attributes:
        answers: the nearest first, at most 5, of different days, counts of strips or epochs; empty where none can be
            planned.
        tried: how many were looked at.
        step_s: how far apart they begin, seconds.
        refused: how many of them cannot be planned.
        why_refused: of the first of those, in words; None where all can.
        refused_field: what of the order that is about; None where all can.
    """

    answers: tuple[SoughtRun, ...]
    tried: int
    step_s: int
    refused: int
    why_refused: str | None
    refused_field: str | None


def seek_run(sought: SeekRun, now: datetime) -> RunSearch:
    """The beginnings that come nearest to what is wished; nothing is written.

    Args:
        sought: the run, and what is wished of it.
        now: this instant, UTC.

    Raises:
        InputError: nothing of the kind can be planned on that machine, or a wish is none that it can do.
    """
    try:
        context = read_run_context(sought.run)
    except InputError as error:
        raise error.within("run") from None
    of_machine = machine_context(context.machine, now)
    cycles = _cycles(sought, context, of_machine)
    step_s, starts = _starts(sought, MOST_TRIED // (len(cycles) * len(_strips(sought))))
    found, refused = list[SoughtRun](), list[InputError]()
    for cycle_options in cycles:
        by_cycle = by_another_cycle(context, replace(sought.run, cycle_options=cycle_options))
        for strips, starts_at in product(_strips(sought), starts):
            command = replace(sought.run, cycle_options=cycle_options, strips_per_turn=strips, starts_at=starts_at)
            try:
                require_begins_ahead(command, now)
                run = as_planned(command.id, plan_run(command, by_cycle))
            except InputError as error:
                refused.append(error)
                continue
            found.append(_looked_at(sought.wishes, run, by_cycle, of_machine))
    found.sort(key=lambda one: (one.off_h, abs(one.starts_at - sought.run.starts_at)))
    return RunSearch(
        answers=_different(found, of_machine.at_venue.clock),
        tried=len(found) + len(refused),
        step_s=step_s,
        refused=len(refused),
        why_refused=refused[0].said if refused else None,
        refused_field=refused[0].field if refused else None,
    )


def _strips(sought: SeekRun) -> list[int]:
    return list(dict.fromkeys((sought.run.strips_per_turn, *sought.strips_per_turn)))


def _starts(sought: SeekRun, most: int) -> tuple[int, list[datetime]]:
    """The step, seconds, and the beginnings: on full steps of UTC; the first, the last and the one that was named."""
    span_s = (sought.latest - sought.earliest).total_seconds()
    # Beside those on full steps there are the first, the last and the one that was named.
    stepped_at_most = max(min(most, MOST_STARTS) - 4, 1)
    day_s = STEPS_S[-1]
    coarser = day_s * max(1, ceil(span_s / day_s / stepped_at_most))
    step_s = next((one for one in STEPS_S if span_s / one <= stepped_at_most), coarser)
    first = -(-sought.earliest.timestamp() // step_s)
    last = sought.latest.timestamp() // step_s
    stepped = {utc(count * step_s) for count in range(int(first), int(last) + 1)}
    named = {one for one in (sought.run.starts_at,) if sought.earliest <= one <= sought.latest}
    return step_s, sorted(stepped | named | {sought.earliest, sought.latest})


def _cycles(sought: SeekRun, context: RunContext, of_machine: MachineContext) -> list[dict[str, Any]]:
    """The run's own options of its cycle; and of a period, those by which an instant has just what is wished of it."""
    options = sought.run.cycle_options
    if sought.run.cycle != "period":
        return [options]
    run = _any_of_them(sought, context)
    if run is None:
        return [options]  # the search itself says why
    looked_at = _looked_at(sought.wishes, run, context, of_machine)
    epochs = [parse_instant(options["epoch"])]
    for wish, is_met in zip(sought.wishes, looked_at.wishes, strict=True):
        if wish.kind in AT_AN_INSTANT and wish.at is not None and is_met.at is not None and not is_met.kept:
            # In whole seconds, as people say them, and none too late: the burst that begins then holds the instant.
            epochs.append((epochs[0] + (wish.at - is_met.at)).replace(microsecond=0))
    return [options | {"epoch": format_instant(epoch)} for epoch in dict.fromkeys(epochs)]


def _any_of_them(sought: SeekRun, context: RunContext) -> Run | None:
    """The run by the first of a few beginnings at which it can be planned."""
    for starts_at in (sought.earliest, sought.run.starts_at, sought.latest):
        with suppress(InputError):
            return as_planned(sought.run.id, plan_run(replace(sought.run, starts_at=starts_at), context))
    return None


def _looked_at(wishes: Sequence[Wish], run: Run, context: RunContext, of_machine: MachineContext) -> SoughtRun:
    """One run, and how near it comes to each wish."""
    profile, quiet = of_machine.profile_of(run), quiet_of(of_machine.venue)
    on = OnRun(run, profile, context.timeline, of_machine.at_venue.clock, quiet)
    ends = list[PartEnd]()
    if any(wish.kind not in AT_AN_INSTANT for wish in wishes):
        ends = part_ends(of_machine, columns_to_come(run, of_machine, context.timeline), None, MOST_CHANGES)
        if len(ends) >= MOST_CHANGES:
            raise InputError("run.ends_at", f"{MOST_CHANGES} changes and more", "seek with a shorter run")
    found = []
    for number, wish in enumerate(wishes):
        try:
            found.append(met(wish, on, ends))
        except InputError as error:
            raise error.within(f"wishes[{number}]") from None
    return SoughtRun(
        starts_at=run.starts_at,
        strips_per_turn=run.strips_per_turn,
        cycle_options=run.cycle_options,
        first_column=run.first_column,
        end_column=run.end_column,
        off_h=sum(wish.weight * one.counted_h for wish, one in zip(wishes, found, strict=True)),
        wishes=tuple(found),
    )


def _different(found: Sequence[SoughtRun], clock: ZoneInfo) -> tuple[SoughtRun, ...]:
    """The first of each local day, count of strips and epoch: beginnings an hour apart are one answer."""
    first: dict[tuple[Any, ...], SoughtRun] = {}
    for one in found:
        day = one.starts_at.astimezone(clock).date()
        first.setdefault((day, one.strips_per_turn, str(one.cycle_options)), one)
    return tuple(first.values())[:MOST_ANSWERS]
