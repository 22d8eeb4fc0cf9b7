"""What is amiss now, each thing by itself and with a key that stays the same for as long as it lasts.

It is found from the views by plain functions, by the same rules as the pages go by. What of it is one matter to people
is decided in `scheduling.telling.matters`.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass
from datetime import datetime, timedelta
from typing import Literal

from django.db import DEFAULT_DB_ALIAS

from machines.operator.stop_causes import TIME_IN_DOUBT, stops_printing
from machines.protocol.messages import Status
from machines.serialization import structure_lenient
from scheduling.background.own_work import LateWork
from scheduling.log.models import Notice, Run
from scheduling.log.projecting.projector import broken_views
from scheduling.log.projections.machines import STOPPED_BY_ITSELF
from scheduling.log.projections.notices import OPENING, WORD_PASSED_OVER
from scheduling.outages.conditions import asks_for_hands
from scheduling.outages.machine_state import knife_wants_arming, machine_state
from scheduling.outages.open_outage import open_outage
from scheduling.paper.printing_now import PrintingNow, printing_now
from scheduling.queries.closed_away import machines_in_use
from scheduling.queries.machine_context import MachineContext, machine_contexts
from scheduling.rendering.plate_store import PlateGone, PlateStore
from scheduling.supplies.change_dates import Consumable
from scheduling.supplies.due_changes import changes_ahead
from scheduling.supplies.forecast import End, coming_changes
from scheduling.supplies.forecast_cache import kept_forecast

# How soon a part has to end for it to be told that nobody comes to change it.
SUPPLIES_AHEAD = timedelta(days=7)
# How long somebody there may hold a machine before it is told: it may be forgotten.
HELD_FOR = timedelta(hours=1)
# Below so much free room the server's disk is told of, octets: plates of a week of some machines.
LEAST_FREE = 1_000_000_000

AmissKind = Literal[
    "never-heard",  # a run is due, and its board was never heard
    "ended",  # a run is due, and its board was ended in order
    "silence",  # a run is due, and nothing is heard
    "stands",  # it stopped by itself, and waits for somebody's word
    "held",  # somebody holds it, and has for long
    "outage",  # columns are being printed late, or are still to be settled
    "word-passed-over",  # what a person decided did not happen
    "opening",  # what is planned and known of a machine speaks against an opening
    "refused",  # what its board reports cannot be taken
    "knife",  # strips are left hanging on to each other
    "hands",  # a condition of the machine asks for somebody
    "supply",  # a part ends, and nobody comes before to change it
    "clock",  # its board does not know the time as well as the run asks
    "views",  # the server itself: a view is set aside
    "disk",  # the server itself: its disk is nearly full
    "work",  # the server itself: something that it does by itself is not done
]
# How a machine is that does not print what is due; one after the other they are of one cause.
NOT_PRINTING: tuple[AmissKind, ...] = ("never-heard", "ended", "silence", "stands", "held", "outage")
# The server's own.
OF_SERVER: tuple[AmissKind, ...] = ("views", "disk", "work")


@dataclass(frozen=True, kw_only=True)
class Amiss:
    """Something that is not as it should be.

    Attributes:
        kind: what.
        since: when that began, UTC, as far as is known; else when it was found.
        venue, machine: ids of where; None where it is the server itself.
        of: a part, a condition of the machine, or the id of an opening; empty for all else.
        until: when a part ends, UTC; None for all else.
    """

    kind: AmissKind
    since: datetime
    venue: str | None = None
    machine: str | None = None
    of: str = ""
    until: datetime | None = None

    @property
    def key(self) -> str:
        """By which it is known again for as long as it lasts."""
        if self.kind in NOT_PRINTING:
            return f"printing/{self.machine}"
        return "/".join(filter(None, (self.kind, self.machine or "server", self.of)))


@dataclass(frozen=True)
class Looked:
    """What was found.

    Attributes:
        amiss: all of it, in no order of weight.
        of_machines: whether machines could be looked at; where a view is set aside, nothing is known of them.
    """

    amiss: tuple[Amiss, ...]
    of_machines: bool


def amiss_now(now: datetime, plates: PlateStore, free: int | None, late: Sequence[LateWork] = ()) -> Looked:
    """All that is amiss.

    Args:
        now: this instant, UTC.
        plates: where plates lie, for what is left of ink.
        free: octets of free room on the server's disk; None where it cannot be told.
        late: what the server does by itself and has not done.
    """
    broken = broken_views(using=DEFAULT_DB_ALIAS)
    found = [*_of_server(broken, now, free, late)]
    if broken:
        return Looked(tuple(found), of_machines=False)
    contexts = machine_contexts(machines_in_use().order_by("id"), now)
    noticed = _noticed()
    for context in contexts:
        found += _of_machine(context, noticed.get(context.machine.id, ()), plates)
    return Looked(tuple(found), of_machines=True)


def _of_server(broken: set[str], now: datetime, free: int | None, late: Sequence[LateWork]) -> Iterator[Amiss]:
    if broken:
        yield Amiss(kind="views", since=now)
    if free is not None and free < LEAST_FREE:
        yield Amiss(kind="disk", since=now)
    if late:
        yield Amiss(kind="work", since=min(one.since for one in late))


def _noticed() -> dict[str, list[Notice]]:
    """The notices that are told as they stand, by machine."""
    found: dict[str, list[Notice]] = {}
    for row in Notice.objects.filter(kind__in=(WORD_PASSED_OVER, OPENING), cleared_at=None).order_by("raised_at", "id"):
        found.setdefault(row.machine_id, []).append(row)
    return found


def _of_machine(context: MachineContext, noticed: Sequence[Notice], plates: PlateStore) -> Iterator[Amiss]:
    printing = printing_now(context)
    one = _at(context)
    found = _not_printing(context, printing, one)
    if found is not None:
        yield found
    for row in noticed:
        if row.kind == OPENING:
            yield one("opening", row.raised_at, row.opening or "")
        else:
            yield one("word-passed-over", row.raised_at)
    if context.machine.refused_since is not None:
        yield one("refused", context.machine.refused_since)
    if found is None or found.kind not in ("never-heard", "ended", "silence"):  # of those nothing is known but that
        yield from _of_heard(context, printing, found, one)
    yield from _supplies(context, plates, one)


_Found = Callable[..., Amiss]


def _at(context: MachineContext) -> _Found:
    """Makes what is found at a machine."""
    machine = context.machine

    def found(kind: AmissKind, since: datetime, of: str = "", until: datetime | None = None) -> Amiss:
        return Amiss(kind=kind, since=since, venue=machine.venue_id, machine=machine.id, of=of, until=until)

    return found


def _not_printing(context: MachineContext, printing: PrintingNow | None, one: _Found) -> Amiss | None:
    """The first of these that holds; None where it prints, or has nothing to print."""
    machine, state = context.machine, machine_state(context, printing)
    if state.is_missed and machine.silent_since is not None:
        return one("never-heard", machine.silent_since)
    if context.run is None:
        return None
    if state.is_ended and machine.stopped_at is not None:
        return one("ended", machine.stopped_at)
    if machine.silent_since is not None and machine.stopped_at is None:
        return one("silence", machine.silent_since)
    if machine.hold in STOPPED_BY_ITSELF and machine.held_since is not None:
        return one("stands", machine.held_since, next(filter(stops_printing, machine.conditions), ""))
    outage = open_outage(context)
    if outage is None or outage.because == "silence":
        return None
    if outage.because != "hold":
        return one("outage", outage.since)
    return one("held", outage.since) if context.now - outage.since >= HELD_FOR else None


def _of_heard(
    context: MachineContext, printing: PrintingNow | None, found: Amiss | None, one: _Found
) -> Iterator[Amiss]:
    """What a machine tells that is heard; a condition that stopped it was told with that."""
    stopped_by = found.of if found is not None else ""
    if knife_wants_arming(context, None if printing is None else printing.run):
        yield one("knife", context.now)
    for keyword in context.machine.conditions:
        if asks_for_hands(keyword) and not (stopped_by and stops_printing(keyword)):
            yield one("hands", context.now, keyword)
    if context.run is not None and stopped_by != TIME_IN_DOUBT and _clock_in_doubt(context, context.run):
        yield one("clock", context.now)


def _clock_in_doubt(context: MachineContext, run: Run) -> bool:
    """Whether the board said last that it does not know the time as surely as it needs to print the run."""
    if context.heartbeat is None or not context.heartbeat.status:
        return False
    error_s = structure_lenient(context.heartbeat.status, Status).clock_error_s
    profile = context.model_of(run)
    return error_s is None or error_s > profile.clock_tolerance_dots * run.mean_turn_s / profile.columns_per_turn


def _supplies(context: MachineContext, plates: PlateStore, one: _Found) -> Iterator[Amiss]:
    """Parts that end soon, and that nobody comes to change before."""
    for part, end in _ends(context, plates):
        if end.at - context.now < SUPPLIES_AHEAD and end.change.window is None:
            yield one("supply", context.now, part, end.at)


def _ends(context: MachineContext, plates: PlateStore) -> Iterator[tuple[Consumable, End]]:
    yield from coming_changes(context, context.now)
    if context.run_to_come is None or context.profile.head.kind != "carriage":
        return
    try:
        forecast = kept_forecast(context, context.now, plates).forecast
    except PlateGone:
        return  # nothing can be counted now; the plates are drawn anew
    due = changes_ahead(forecast, context.at_venue, context.now, SUPPLIES_AHEAD).due
    yield from ((change.part, change.end) for change in due if change.part == "cartridge")
