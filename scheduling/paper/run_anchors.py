"""Anchors that a machine's run names: when a place of its picture is laid, or when the strip with it is cut off.

In JSON, beside those of `scheduling.sky.anchors`::

    {"under_head": {"machine": "wren-1", "longitude": -9.1}, "date": "2026-03-22", "offset": "-PT10M"}
    {"strip_cut": {"machine": "wren-1", "phase": 0.25}, "date": "2026-03-22"}
    {"strip_cut": {"run": "spring", "boundary": 3}}

A place is a longitude or a phase, as `scheduling.paper.next_passage` has it; ``date`` is the local date, by the venue's
clock, on which it is laid or cut off, and ``which`` is needed where that happens more than once on it. A boundary of
a run is counted from 1. The instant is that of the burst in which it is done, as the run is planned.
"""

from __future__ import annotations

from collections.abc import Collection, Iterator, Mapping, Sequence
from datetime import date, datetime, timedelta
from typing import Any, Literal

import numpy as np

from machines.errors import InputError
from machines.model.slots import slot_of, slot_start
from scheduling.log.models import Machine, Run, Venue
from scheduling.paper.next_passage import (
    OnRun,
    PassageQuery,
    columns_of_phase,
    next_passage,
    on_run,
    phase_of,
    runs_not_over,
)
from scheduling.queries.machine_context import MachineContext, machine_context
from scheduling.queries.names import require, require_in_use
from scheduling.sky.anchors import date_of, offset_of, which_of
from scheduling.sky.civil import day_bounds, instant_in_words
from scheduling.sky.zones import zone

Kind = Literal["under_head", "strip_cut"]
KINDS: tuple[Kind, ...] = ("under_head", "strip_cut")
# In a day; a picture that comes round more often names no time.
MOST_PASSAGES = 100


def goes_by_a_run(anchor: Mapping[str, Any]) -> bool:
    """Whether an anchor in JSON is one of these."""
    return any(kind in anchor for kind in KINDS)


def is_named_by(anchor: Mapping[str, Any], machine: str, runs: Collection[str]) -> bool:
    """Whether an anchor is named by what a machine prints: by the machine, or by one of its runs; all by their ids."""
    named: Mapping[str, Any] = next((anchor[kind] for kind in KINDS if kind in anchor), {})
    return named["run"] in runs if "run" in named else named.get("machine") == machine


def offset_in(anchor: Mapping[str, Any]) -> timedelta:
    """How far from what it names an anchor is."""
    return offset_of(anchor.get("offset", "PT0S"))


class MachinesRead:
    """The machines that anchors name, with their runs: read once for however many anchors are asked about together.
    They are as they stood then, so it is not kept beyond a request, nor from a check to the lock."""

    def __init__(self) -> None:
        self._found: dict[str, tuple[MachineContext, Sequence[Run]]] = {}
        self._on: dict[str, OnRun] = {}

    def machine(self, id: str, since: datetime) -> tuple[MachineContext, Sequence[Run]]:
        """A machine, and its runs that are not over at an instant, in order of time.

        Raises:
            InputError: there is none, or it was retired.
        """
        if id not in self._found or since < self._found[id][0].now:
            context = machine_context(require_in_use(Machine, "machine", id), since)
            self._found[id] = context, list(runs_not_over(context))
        return self._found[id]

    def on(self, context: MachineContext, run: Run) -> OnRun:
        """One of a machine's runs on it."""
        if run.id not in self._on:
            self._on[run.id] = on_run(context, run)
        return self._on[run.id]


def run_anchor_instant(anchor: Mapping[str, Any], venue: Venue, read: MachinesRead | None = None) -> datetime:
    """The instant (UTC) that a machine's run names, as it is planned now.

    Args:
        anchor: in JSON.
        venue: where the machine has to stand, and whose clock counts the dates.
        read: the machines that were read already, where several anchors are asked about.

    Raises:
        InputError: it cannot be read; or there is no such instant, or more than one.
    """
    kind: Kind = "under_head" if "under_head" in anchor else "strip_cut"
    named = anchor[kind]
    is_counted = kind == "strip_cut" and isinstance(named, Mapping) and "boundary" in named
    beside = (kind, "offset") if is_counted else (kind, "date", "which", "offset")
    _check_names(anchor, beside, "")
    _check_names(named, ("run", "boundary") if is_counted else ("machine", "longitude", "phase"), kind)
    offset, read = offset_in(anchor), MachinesRead() if read is None else read
    return offset + (_boundary(named, venue, read) if is_counted else _on_date(kind, anchor, venue, read))


def _check_names(data: Any, known: tuple[str, ...], field: str) -> None:
    if not isinstance(data, Mapping):
        raise InputError(field, "no object", f"give one with {', '.join(known)}")
    for name in data:
        if name not in known:
            path = f"{field}.{name}" if field else str(name)
            raise InputError(path, "no such field", f"the fields are {', '.join(known)}")


def _boundary(named: Mapping[str, Any], venue: Venue, read: MachinesRead) -> datetime:
    """When a run's strip that ends at a boundary is cut off."""
    number = named["boundary"]
    if not isinstance(number, int) or isinstance(number, bool) or number < 1:
        raise InputError("strip_cut.boundary", f"{number!r} is no number of a boundary", "give 1 for the first")
    run: Run = require(Run, "strip_cut.run", str(named.get("run")), "source")
    if run.withdrawn_at is not None:
        raise InputError("strip_cut.run", "the run was withdrawn", "name another")
    context, _ = _machine(run.machine_id, venue, run.starts_at, read)
    on = read.on(context, run)
    cut, strips = None, (on.profile.columns_per_turn, run.strips_per_turn)
    if run.strips_per_turn:
        column = slot_start(slot_of(run.first_column, *strips) + number, *strips)
        cut = on.at_knife(column) if column < run.end_column and not on.is_held(column) else None
    if cut is None:
        raise InputError("strip_cut.boundary", f"run {run.id} cuts no strip off there", "give an earlier one")
    return cut.begins_at


def _on_date(kind: Kind, anchor: Mapping[str, Any], venue: Venue, read: MachinesRead) -> datetime:
    named, day, which = anchor[kind], date_of(anchor.get("date")), which_of(anchor)
    query = _query(named, kind)
    start, end = day_bounds(day, zone(venue.zone))
    context, runs = _machine(str(named.get("machine")), venue, start, read)
    there = [read.on(context, run) for run in runs if run.starts_at < end and run.ends_at > start]
    try:
        found = sorted({at for on in there for at in _instants(kind, on, query, start, end) if start <= at < end})
    except InputError as error:
        raise error.within(kind) from None
    if not found:
        raise InputError("date", f"no run that is planned does that on {day}", _next(kind, context.machine, query, end))
    if len(found) > 1 and which is None:
        first, last = (instant_in_words(at, zone(venue.zone)) for at in (found[0], found[-1]))
        readings = f'"earlier" is {first}, "later" is {last}'
        raise InputError("which", f"it comes more than once on {day}", f"say which is meant: {readings}")
    return found[-1] if which == "later" else found[0]


def _query(named: Mapping[str, Any], kind: Kind) -> PassageQuery:
    for name in ("longitude", "phase"):
        value = named.get(name, 0.0)
        if not isinstance(value, int | float) or isinstance(value, bool):
            raise InputError(f"{kind}.{name}", f"{value!r} is no number", "give one")
    try:
        return PassageQuery(longitude=named.get("longitude"), phase=named.get("phase"))
    except InputError as error:
        raise error.within(kind) from None


def _machine(id: str, venue: Venue, since: datetime, read: MachinesRead) -> tuple[MachineContext, Sequence[Run]]:
    context, runs = read.machine(id, since)
    if context.machine.venue_id != venue.id:
        raise InputError("machine", f"{context.machine.name} does not stand at {venue.name}", "name one that does")
    return context, runs


def _instants(kind: Kind, on: OnRun, query: PassageQuery, start: datetime, end: datetime) -> Iterator[datetime]:
    """Instants of a run's bursts in which a place is laid, or its strip is cut off, about those between two."""
    phase, _ = phase_of(on.run, on.profile, query)
    for column in _columns(kind, on, phase, start, end):
        done = on.span(column) if kind == "under_head" else on.cut_off(column)
        if done is not None:
            yield done.begins_at


def _columns(kind: Kind, on: OnRun, phase: float, start: datetime, end: datetime) -> list[int]:
    """The columns of a run that hold a phase and may be laid between two instants, or come to the knife."""
    run, profile, timeline = on.run, on.profile, on.timeline
    first = timeline.first_column_from(start.timestamp() - run.shift_s) - profile.columns_per_burst
    last = timeline.first_column_from(end.timestamp()) + profile.columns_per_burst
    if kind == "strip_cut":
        first -= profile.knife_columns + profile.columns_per_turn
    first, last = max(first, run.first_column), min(last, run.end_column)
    per_turn = profile.columns_per_turn
    counts = np.arange(first // per_turn - 1, last // per_turn + 2)
    columns = columns_of_phase(phase, counts, per_turn)
    found = [int(column) for column in columns[(columns >= first) & (columns < last)]]
    if len(found) > MOST_PASSAGES:
        problem = f"the picture comes round more than {MOST_PASSAGES} times"
        raise InputError("", problem, "name the time by the clock")
    return found


def _next(kind: Kind, machine: Machine, query: PassageQuery, end: datetime) -> str:
    passage = next_passage(machine_context(machine, end), query)
    done = None if passage is None else passage.laid if kind == "under_head" else passage.cut_off
    if done is None:
        return "give a date on which one does, or name the time by the clock"
    return f"the next is {done.in_words}"


def is_on(anchor: Mapping[str, Any]) -> date | None:
    """The local date of an anchor that has one."""
    return date_of(anchor["date"]) if "date" in anchor else None
