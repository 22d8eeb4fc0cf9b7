"""What a person does at a machine, step by step, with the cautions beside each step.

The steps are those of the panel at the machine, in its words, and the cautions are the machine's own.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from datetime import datetime, timedelta

from django.utils.translation import gettext as _

from machines.operator.conditions import gloss
from machines.operator.holds import HOLD_WORDS
from machines.operator.labels import ARM, LABELS, PanelAction
from machines.operator.safety_notes import BESIDE, UNATTENDED_LINES
from machines.protocol.journal_entries import Action
from scheduling.log.models import Machine, Run
from scheduling.outages.conditions import is_told_otherwise
from scheduling.outages.machine_state import cuts, knife_wants_arming, was_missed
from scheduling.queries.machine_context import MachineContext
from scheduling.rendering.plate_store import PlateGone
from scheduling.supplies.change_dates import Consumable
from scheduling.supplies.due_changes import DueChange, changes_ahead, part_asked_for, wants_part_at_hand
from scheduling.supplies.forecast import falls_on
from scheduling.supplies.forecast_cache import kept_forecast
from server import wiring
from server.console import formatting
from server.heavy import TURNS

AHEAD = timedelta(days=7)
# The first point of what is said before a machine runs alone: it holds for whoever stands near one.
NEAR = UNATTENDED_LINES[1]
CHANGE_ACTIONS: dict[Consumable, Action] = {
    "roll": "roll-changed",
    "cartridge": "cartridge-changed",
    "blade": "blade-changed",
}


@dataclass(frozen=True)
class Step:
    """A step, and what to take care of at it."""

    says: str
    cautions: tuple[str, ...] = ()


@dataclass(frozen=True)
class Task:
    """Something to be done.

    Attributes:
        due_at: when, UTC: as its service window begins, or by when where there is none; None for at once.
        when: the same in words, by the venue's clock.
        in_window: whether a service window is named in them.
        part: what is changed; None for all else.
    """

    what: str
    why: str
    due_at: datetime | None
    when: str
    steps: tuple[Step, ...]
    part: Consumable | None = None
    in_window: bool = False


def at_panel(action: PanelAction) -> Step:
    """A step at the panel."""
    said = _("At the panel: {action}.").format(action=_(LABELS[action]))
    return Step(said, tuple(map(_, BESIDE[action])))


def going_on(hold: str, is_cut: bool) -> tuple[Step, ...]:
    """How a machine that is held is let go on. Whatever held it, its knife is disarmed; that matters where it cuts."""
    release = (at_panel("release"),) if hold == "stopped" else ()
    return (*release, at_panel("resume"), *((at_panel(ARM),) if is_cut else ()))


def changing(part: Consumable, is_cut: bool) -> tuple[Step, ...]:
    """How a part is changed."""
    action = CHANGE_ACTIONS[part]
    said = {
        "roll": _("Change the roll. Then, at the panel: {action}."),
        "cartridge": _("Change the cartridge. Then, at the panel: {action}."),
        "blade": _("Only by somebody whom the venue has named for it: change the blade. Then, at the panel: {action}."),
    }[part]
    done = Step(said.format(action=_(LABELS[action])), tuple(map(_, BESIDE[action])))
    return (at_panel("park"), done, *going_on("parked", is_cut))


def tasks(context: MachineContext, run: Run | None) -> tuple[Task, ...]:
    """What waits for a person at a machine now; what is to be changed is `changes`.

    Args:
        context: the machine.
        run: that it is on or will be on next; None for none.
    """
    is_cut, zone = cuts(run), context.venue.zone
    return (
        *_away(context, run, zone),
        *_conditions(context.machine, is_cut),
        *_held(context.machine, is_cut, zone),
        *_knife(context, run),
    )


def _held(machine: Machine, is_cut: bool, zone: str) -> Iterator[Task]:
    if machine.hold and machine.held_since is not None:
        words = HOLD_WORDS[machine.hold]
        since = formatting.moment(machine.held_since, zone)
        why = _("Since {when}: {how}.").format(when=since, how=_(words.at_machine))
        yield Task(_(words.task), why, None, _("now"), (Step(_(words.first_look)), *going_on(machine.hold, is_cut)))


def _away(context: MachineContext, run: Run | None, zone: str) -> Iterator[Task]:
    """Nobody hears of it: it was never begun, or it was ended in order, or why is not known."""
    machine, due = context.machine, context.machine.silent_since
    if due is not None and was_missed(context):
        why = _("It should have begun to print at {when}, and was never heard.").format(
            when=formatting.moment(due, zone)
        )
        look = Step(_("Is the board beside it there, switched on and plugged in? Put that right."))
        ring = Step(_("If it is, or there is none, ring."))
        yield Task(_("See to its board"), why, None, _("now"), (look, ring))
    elif machine.stopped_at is not None and run is not None:
        when = formatting.moment(machine.stopped_at, zone)
        why = _("Its board was ended in order at {when}: nothing is printed until it begins again.").format(when=when)
        ask = Step(_("Ask who ended it, and why. Until that is settled it stays so."))
        again = Step(_("Switch the board beside it off and on again. If it stays so, ring."), (_(NEAR),))
        yield Task(_("Let its board begin again"), why, None, _("now"), (ask, again))
    else:
        yield from _silent(machine, zone)


def _silent(machine: Machine, zone: str) -> Iterator[Task]:
    if machine.silent_since is not None:
        since = formatting.moment(machine.silent_since, zone)
        why = _("No word has come from it since {when}. It may be printing on.").format(when=since)
        look = _("Look, without touching: does the paper go on? Then leave it as it is, and switch nothing off.")
        plugs = _("Are the board beside it and the network of the house switched on and plugged in? Put that right.")
        ring = _("If it stands still, or stays silent for an hour, ring.")
        steps = (Step(look, (_(NEAR),)), Step(plugs), Step(ring))
        yield Task(_("See whether it prints on"), why, None, _("now"), steps)


def _conditions(machine: Machine, is_cut: bool) -> Iterator[Task]:
    for keyword in machine.conditions:
        if is_told_otherwise(keyword):
            continue
        said = _(gloss(keyword))
        part = part_asked_for(keyword)
        steps: tuple[Step, ...] = (at_panel("park"),)
        if part is not None:
            steps = changing(part, is_cut)
        elif wants_part_at_hand(keyword):
            steps = ()
        why = _("The machine says {keyword}.").format(keyword=keyword)
        yield Task(f"{said[0].upper()}{said[1:]}", why, None, _("now"), steps, part)


def _knife(context: MachineContext, run: Run | None) -> Iterator[Task]:
    if knife_wants_arming(context, run):
        why = _("It is disarmed: strips are left hanging on to each other until somebody arms it.")
        look = Step(_("Look at the machine. If anything is unusual, or you may not do this here, ring."))
        yield Task(_("Arm the knife"), why, None, _("now"), (look, at_panel(ARM)))


def changes(context: MachineContext, run: Run | None) -> tuple[tuple[Task, ...], tuple[str, ...]]:
    """What is to be changed within a week, in order of time; and what is known of the rest, in sentences.

    Raises:
        Busy: it has to be counted, and too much is being made.
    """
    try:
        counted = kept_forecast(context, context.now, wiring.plates(), TURNS.turn).forecast
    except PlateGone:
        return (), (_("What is left on roll, cartridge and blade cannot be counted now: look at them, and ring."),)
    ahead = changes_ahead(counted, context.at_venue, context.now, AHEAD)
    due = tuple(_change(one, cuts(run), context) for one in ahead.due)
    return due, tuple(_lasts(part, until, context.venue.zone) for part, until in ahead.later)


def _lasts(part: Consumable, until: datetime | None, zone: str) -> str:
    if until is None:
        return {
            "roll": _("The roll lasts to the end of the run."),
            "cartridge": _("The cartridge lasts to the end of the run."),
            "blade": _("The blade lasts to the end of the run."),
        }[part]
    said = {
        "roll": _("The roll lasts, by count, until {date}."),
        "cartridge": _("The cartridge lasts, by count, until {date}."),
        "blade": _("The blade lasts, by count, until {date}."),
    }[part]
    return said.format(date=formatting.date(until, zone))


def _change(one: DueChange, is_cut: bool, context: MachineContext) -> Task:
    zone = context.venue.zone
    when = _before(one.end.at, context.now, zone)
    if one.window is not None:
        window, until = one.window
        span = formatting.span(window.starts_at, until, zone)
        when = _("in {window}, {span}").format(window=window.name, span=span)
    what = {"roll": _("Change the roll"), "cartridge": _("Change the cartridge"), "blade": _("Change the blade")}
    why, steps = _ends(one.end.at, context), changing(one.part, is_cut)
    return Task(what[one.part], why, one.at, when, steps, one.part, one.window is not None)


def _ends(at: datetime, context: MachineContext) -> str:
    """When it ends by count, and why that is a bad time where it is one."""
    when = formatting.moment(at, context.venue.zone)
    names, is_closed = falls_on(context.at_venue, at)
    bad = [_("on the day of {opening}").format(opening=name) for name in names]
    bad += [_("while the venue is closed")] if is_closed else []
    if not bad:
        return _("By count it ends at {when}.").format(when=when)
    said = _("By count it ends at {when}, {bad}: change it before.")
    return said.format(when=when, bad=_(" and ").join(bad))


def _before(end: datetime, now: datetime, zone: str) -> str:
    if end <= now:
        return _("now: it is overdue")
    if formatting.date(end, zone) == formatting.date(now, zone):
        return _("today, before {time}").format(time=formatting.clock_time(end, zone))
    return _("before {when}").format(when=formatting.moment(end, zone))
