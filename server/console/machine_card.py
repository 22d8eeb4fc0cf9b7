"""A machine at this moment: what it prints, where in the turn it is, and how it is."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from datetime import datetime, timedelta
from functools import cached_property

from django.utils.translation import gettext as _

from machines.model.profile import Profile
from machines.operator.holds import HOLD_WORDS
from machines.operator.language import marked
from machines.protocol.recesses import Recess
from scheduling.log.models import Run
from scheduling.nodes.board_holds import holds_by
from scheduling.outages.machine_state import StateKind, machine_state
from scheduling.outages.open_outage import open_outage
from scheduling.paper.printing_now import PrintingNow, printing_now
from scheduling.queries.machine_context import MachineContext
from scheduling.queries.runs import recesses_of, run_policy
from scheduling.sky.zones import zone
from scheduling.supplies.forecast import coming_changes
from server.console import formatting
from server.console.pictures import WIDTH_PX, height_px

CHANGES_AHEAD, JUST_NOW = timedelta(days=28), timedelta(minutes=1)

STATES: dict[StateKind, str] = {
    "never-heard": marked("never heard, and a run is due; somebody must look"),
    "no-node": marked("no node yet"),
    "no-run": marked("nothing to print"),
    "silent": marked("silent; it may be printing on"),
    "late": marked("printing late, catching up"),
    "printing": marked("printing"),
}


@dataclass(frozen=True)
class ShownColumn:
    """A running column, as the pages show it.

    Attributes:
        column: its number.
        x: where in the picture of the turn, as a viewer sees it, in thousandths from the left.
        turn: of the run, from 1.
        means: what the phase means in the sky.
    """

    column: int
    x: float
    turn: int
    means: str


@dataclass(frozen=True)
class CurrentPrint:
    """A run that a machine is on.

    Attributes:
        due: what belongs under the head now; None before the run's first column and after its last.
        head: what the node said that it lays next, where that is not what is due: it prints late.
        segment: which of the turn's is due, from 1.
        plate: digest of the turn's plate; None while nothing is planned.
        idle: why nothing is due, in words; empty where something is.
        unheard: that the machine's board prints by the plan before, in words; empty where it knows, or does not say.
    """

    run: Run
    source: str
    policy: str
    segment: int | None
    segments: int
    turns: int
    due: ShownColumn | None
    head: ShownColumn | None
    plate: str | None
    idle: str
    unheard: str


@dataclass(frozen=True, eq=False)
class Station:
    """A machine, its run and its node. What not every page shows is read when it is asked for.

    Attributes:
        kind, is_printing, is_silent, is_missed, is_ended, wants_look: see `scheduling.outages.machine_state`.
        state: the kind in words.
    """

    context: MachineContext
    id: str
    name: str
    profile: str
    printing: CurrentPrint | None
    kind: StateKind
    state: str
    is_printing: bool
    is_silent: bool
    is_missed: bool
    is_ended: bool
    wants_look: bool
    heard: str
    knife: str
    conditions: tuple[str, ...]
    picture_height: int
    travel: str

    @cached_property
    def open_run(self) -> str | None:
        """The run on which an outage is open, so that a person can decide what becomes of it; None for none."""
        found = open_outage(self.context)
        return None if found is None else found.run.id

    @cached_property
    def changes(self) -> tuple[tuple[str, str], ...]:
        """What is to be changed within four weeks, and in which service window, in words."""
        return tuple(_changes(self.context))

    @property
    def paper(self) -> int | None:
        """The version of its newest report of printed columns; None before the first."""
        return self.context.group.newest_stretches.get(self.id)


def station(context: MachineContext) -> Station:
    """A machine at an instant."""
    machine, profile = context.machine, context.model
    printing = printing_now(context)
    state = machine_state(context, printing)
    return Station(
        context=context,
        id=machine.id,
        name=machine.name,
        profile=profile.name,
        printing=None if printing is None else _printing(context, printing),
        kind=state.kind,
        state=_state(context, printing, state.kind),
        is_printing=state.is_printing,
        is_silent=state.is_silent,
        is_missed=state.is_missed,
        is_ended=state.is_ended,
        wants_look=state.wants_look,
        heard=_heard(context),
        knife=_knife(context),
        conditions=tuple(machine.conditions),
        picture_height=round(1000 * height_px(profile) / WIDTH_PX),
        travel=profile.travel,
    )


def _changes(context: MachineContext) -> Iterator[tuple[str, str]]:
    zone = context.venue.zone
    for part, end in coming_changes(context, context.now):
        if end.at - context.now < CHANGES_AHEAD:
            window, until = end.change.window, end.change.until
            said = "overdue" if end.at <= context.now else f"before {formatting.moment(end.at, zone)}"
            if window is not None and until is not None:
                said = f"in {window.name}, {formatting.span(window.starts_at, until, zone)}"
            else:
                said += "; no service window by then"
            yield f"Change the {part}", said


def _knife(context: MachineContext) -> str:
    if context.model.knife is None:
        return "none; the paper is wound up"
    if context.heard_at is None:
        return "not known"
    if not context.knife_is_armed:
        return "disarmed"
    return "armed" if context.machine.stopped_at is None else "at rest; armed again when its board begins"


def _state(context: MachineContext, printing: PrintingNow | None, kind: StateKind) -> str:
    if kind == "ended" and context.machine.stopped_at is not None:
        when = formatting.moment(context.machine.stopped_at, context.venue.zone)
        return _("its board was ended in order at {when}").format(when=when)
    if kind == "held":
        return _(HOLD_WORDS[context.machine.hold].at_a_glance)
    if kind == "recess" and printing is not None and printing.recess is not None:
        return rests_until(printing.recess, printing.run, context.venue.zone)
    if kind == "not-due" and printing is not None:
        return _idle(printing.run, context.venue.zone, context.now)
    return _(STATES[kind])


def rests_until(recess: Recess, run: Run, zone: str) -> str:
    """Until when nothing of a run is laid, in words; who holds it stands in its history."""
    is_held = recess in recesses_of(run)
    if recess.ends_at is None:
        return _("held by studio or curator, until they let it go on; it then prints on by itself")
    said = (
        _("held by studio or curator until {when}; it then prints on by itself")
        if is_held
        else _("not printing while the house is closed, until {when}; it then prints on by itself")
    )
    return said.format(when=formatting.moment(recess.ends_at, zone))


def _printing(context: MachineContext, printing: PrintingNow) -> CurrentPrint:
    run, segment, profile = printing.run, printing.segment, context.model_of(printing.run)
    return CurrentPrint(
        run=run,
        source=context.group.source_names.get(run.source_id, run.source_id),
        policy=formatting.policy(run_policy(run)),
        segment=None if segment is None else segment.number % run.segments_per_turn + 1,
        segments=run.segments_per_turn,
        turns=(run.end_column - 1) // profile.columns_per_turn - run.first_column // profile.columns_per_turn + 1,
        due=None if printing.due is None else _place(run, profile, printing.due),
        head=None if printing.head is None else _place(run, profile, printing.head),
        plate=printing.plate,
        idle="" if printing.due is not None else _idle(run, context.venue.zone, context.now),
        unheard=_unheard(context, run),
    )


def _unheard(context: MachineContext, run: Run) -> str:
    held = holds_by(run, context.machine.name, zone(context.venue.zone), context.heartbeat)
    return held.in_words if held.knows(run.revision) is False else ""


def _idle(run: Run, zone: str, now: datetime) -> str:
    if now < run.starts_at:
        date, time = formatting.date(run.starts_at, zone), formatting.clock_time(run.starts_at, zone)
        return _("begins {date} {time}").format(date=date, time=time)
    if run.ends_at <= now:
        return _("its run is over; not all of it is reported")
    return _("not planned as far as this")


def _place(run: Run, profile: Profile, column: int) -> ShownColumn:
    turn, within = divmod(column, profile.columns_per_turn)
    fraction = within / profile.columns_per_turn
    return ShownColumn(
        column=column,
        x=round(1000 * (1 - fraction if profile.travel == "right" else fraction), 1),
        turn=turn - run.first_column // profile.columns_per_turn + 1,
        means=formatting.under_the_head(run.cycle, fraction),
    )


def _heard(context: MachineContext) -> str:
    """How long ago, to the minute: a page that is open would be another every second."""
    if context.heard_at is None:
        return _("never")
    ago = context.now - context.heard_at
    return _("just now") if ago < JUST_NOW else _("{span} ago").format(span=formatting.duration(ago))
