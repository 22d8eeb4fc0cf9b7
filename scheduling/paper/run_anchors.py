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

from collections.abc import Iterator, Mapping
from datetime import date, datetime, timedelta
from typing import Any, Literal

import numpy as np

from machines.errors import InputError
from machines.model.slots import slot_of, slot_start
from scheduling.log.models import Machine, Run, Venue
from scheduling.paper.next_passage import OnRun, PassageQuery, next_passage, on_run, phase_of
from scheduling.queries.machine_context import MachineContext, machine_context
from scheduling.queries.names import require, require_in_use
from scheduling.queries.runs import runs_standing
from scheduling.sky.anchors import date_of, offset_of, which_of
from scheduling.sky.civil import day_bounds
from scheduling.sky.zones import zone

Kind = Literal["under_head", "strip_cut"]
KINDS: tuple[Kind, ...] = ("under_head", "strip_cut")
# In a day; a picture that comes round more often names no time.
MOST_PASSAGES = 100


def goes_by_a_run(anchor: Mapping[str, Any]) -> bool:
    """Whether an anchor in JSON is one of these."""
    return any(kind in anchor for kind in KINDS)


def machine_of(anchor: Mapping[str, Any]) -> str | None:
    """Id of the machine whose run names an anchor; None where none does, or the run is none that there is."""
    for kind in KINDS:
        named = anchor.get(kind)
        if isinstance(named, Mapping):
            if "run" in named:
                return Run.objects.filter(id=str(named["run"])).values_list("machine_id", flat=True).first()
            return str(named.get("machine"))
    return None


def offset_in(anchor: Mapping[str, Any]) -> timedelta:
    """How far from what it names an anchor is."""
    return offset_of(anchor.get("offset", "PT0S"))


def run_anchor_instant(anchor: Mapping[str, Any], venue: Venue) -> datetime:
    """The instant (UTC) that a machine's run names, as it is planned now.

    Args:
        anchor: in JSON.
        venue: where the machine has to stand, and whose clock counts the dates.

    Raises:
        InputError: it cannot be read; or there is no such instant, or more than one.
    """
    kind: Kind = "under_head" if "under_head" in anchor else "strip_cut"
    named = anchor[kind]
    is_counted = kind == "strip_cut" and isinstance(named, Mapping) and "boundary" in named
    beside = (kind, "offset") if is_counted else (kind, "date", "which", "offset")
    _check_names(anchor, beside, "")
    _check_names(named, ("run", "boundary") if is_counted else ("machine", "longitude", "phase"), kind)
    offset = offset_in(anchor)
    return offset + (_boundary(named, venue) if is_counted else _on_date(kind, anchor, venue))


def _check_names(data: Any, known: tuple[str, ...], field: str) -> None:
    if not isinstance(data, Mapping):
        raise InputError(field, "no object", f"give one with {', '.join(known)}")
    for name in data:
        if name not in known:
            path = f"{field}.{name}" if field else str(name)
            raise InputError(path, "no such field", f"the fields are {', '.join(known)}")


def _boundary(named: Mapping[str, Any], venue: Venue) -> datetime:
    """When a run's strip that ends at a boundary is cut off."""
    number = named["boundary"]
    if not isinstance(number, int) or isinstance(number, bool) or number < 1:
        raise InputError("strip_cut.boundary", f"{number!r} is no number of a boundary", "give 1 for the first")
    run: Run = require(Run, "strip_cut.run", str(named.get("run")), "source")
    if run.withdrawn_at is not None:
        raise InputError("strip_cut.run", "the run was withdrawn", "name another")
    context = _machine(run.machine_id, venue, run.starts_at)
    on = on_run(context, run)
    cut, strips = None, (on.profile.columns_per_turn, run.strips_per_turn)
    if run.strips_per_turn:
        column = slot_start(slot_of(run.first_column, *strips) + number, *strips)
        cut = on.at_knife(column) if column < run.end_column and not on.is_held(column) else None
    if cut is None:
        raise InputError("strip_cut.boundary", f"run {run.id} cuts no strip off there", "give an earlier one")
    return cut.begins_at


def _on_date(kind: Kind, anchor: Mapping[str, Any], venue: Venue) -> datetime:
    named, day, which = anchor[kind], date_of(anchor.get("date")), which_of(anchor)
    query = _query(named, kind)
    start, end = day_bounds(day, zone(venue.zone))
    context = _machine(str(named.get("machine")), venue, start)
    try:
        found = sorted({at for at in _instants(kind, context, query, end) if start <= at < end})
    except InputError as error:
        raise error.within(kind) from None
    if not found:
        raise InputError("date", f"no run that is planned does that on {day}", _next(kind, context.machine, query, end))
    if len(found) > 1 and which is None:
        readings = f'"earlier" is {found[0].isoformat()}, "later" is {found[-1].isoformat()}'
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


def _machine(id: str, venue: Venue, at: datetime) -> MachineContext:
    machine: Machine = require_in_use(Machine, "machine", id)
    if machine.venue_id != venue.id:
        raise InputError("machine", f"{machine.name} does not stand at {venue.name}", "name one that does")
    return machine_context(machine, at)


def _instants(kind: Kind, context: MachineContext, query: PassageQuery, end: datetime) -> Iterator[datetime]:
    """Instants of the bursts in which a place is laid, or its strip is cut off, from the context's on."""
    runs = runs_standing(context.machine.id).filter(starts_at__lt=end, ends_at__gt=context.now)
    for run in runs.select_related("source").order_by("starts_at", "id"):
        on = on_run(context, run)
        phase, _ = phase_of(run, on.profile, query)
        for column in _columns(kind, on, phase, context.now, end):
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
    columns = np.floor((counts + phase) * per_turn + 1e-6).astype(np.int64)  # see `OnRun.next`
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
