"""What a person does at a machine, step by step, with the cautions beside each step.

The steps are those of the panel at the machine, in its words, and the cautions are the machine's own.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from datetime import datetime, timedelta

from machines.operator.conditions import gloss
from machines.operator.holds import SAYS
from machines.operator.labels import ARM, LABELS, Asked
from machines.operator.safety_notes import BESIDE, UNATTENDED
from machines.protocol.journal_entries import Action
from scheduling.log.models import Heartbeat, Machine, Run, Venue
from scheduling.queries.runs import knife_is_armed
from scheduling.rendering.plate_store import PlateGone
from scheduling.supplies.change_dates import Consumable
from scheduling.supplies.forecast import End, Forecast, end_at
from scheduling.supplies.forecast_cache import kept_forecast
from server import wiring
from server.console import formatting
from server.console.machine_card import was_missed
from server.heavy import TURNS

AHEAD = timedelta(days=7)
# The first point of what is said before a machine runs alone: it holds for whoever stands near one.
NEAR = UNATTENDED.splitlines()[1].removeprefix("  - ")
HOLDS = {
    "stopped": ("Let it go on after the stop", "Ask who stopped it, and why. Until that is settled it stays stopped."),
    "paused": ("Let it go on", "Ask who paused it, and why. Until that is settled it stays paused."),
    "parked": ("End the service and let it go on", "Is the work at it done, and are the guards closed?"),
    "unplanned-stop": (
        "Look at it, and let it go on",
        "Look at the machine and its paper. If anything is unusual, ring.",
    ),
    "fault": ("Put it right, and let it go on", "See to what it says, as above. If you are not sure, ring."),
}
OF_ITSELF = "it stopped because something is wrong with it; it waits for a person to look at it and resume"
# Keywords of the machine (RFC 8011, PWG 5100) that ask for a change at once.
ASK_FOR: dict[str, Consumable] = {
    "media-empty": "roll",
    "marker-supply-empty": "cartridge",
    "separation-cutter-life-over": "blade",
}
CHANGED: dict[Consumable, Action] = {"roll": "roll-changed", "cartridge": "cartridge-changed", "blade": "blade-changed"}
HAVE_AT_HAND = ("media-low", "marker-supply-low", "separation-cutter-life-almost-over")
TOLD_OTHERWISE = ("paused", "separation-cutter-offline")  # as what holds it, and as the knife
BY_WHOM = "Only by somebody whom the venue has named for it: {what}."


@dataclass(frozen=True)
class Step:
    """A step, and what to take care of at it."""

    says: str
    cautions: tuple[str, ...] = ()


@dataclass(frozen=True)
class Task:
    """Something to be done.

    Attributes:
        due: when, UTC: as its service window begins, or by when where there is none; None for at once.
        when: the same in words, by the venue's clock.
        in_window: whether a service window is named in them.
        part: what is changed; None for all else.
    """

    what: str
    why: str
    due: datetime | None
    when: str
    steps: tuple[Step, ...]
    part: Consumable | None = None
    in_window: bool = False


def at_panel(action: Asked) -> Step:
    """A step at the panel."""
    return Step(f"At the panel: {LABELS[action]}.", BESIDE[action])


def going_on(hold: str, is_cut: bool) -> tuple[Step, ...]:
    """How a machine that is held is let go on. Whatever held it, its knife is disarmed; that matters where it cuts."""
    release = (at_panel("release"),) if hold == "stopped" else ()
    return (*release, at_panel("resume"), *((at_panel(ARM),) if is_cut else ()))


def changing(part: Consumable, is_cut: bool) -> tuple[Step, ...]:
    """How a part is changed."""
    action = CHANGED[part]
    what = f"change the {part}"
    says = BY_WHOM.format(what=what) if part == "blade" else f"{what.capitalize()}."
    done = Step(f"{says} Then, at the panel: {LABELS[action]}.", BESIDE[action])
    return (at_panel("park"), done, *going_on("parked", is_cut))


def tasks(machine: Machine, run: Run | None, zone: str) -> tuple[Task, ...]:
    """What waits for a person at a machine now; what is to be changed is `changes`.

    Args:
        machine: whose.
        run: that it is on or will be on next; None for none.
        zone: of the venue.
    """
    is_cut = cuts(run)
    return (
        *_away(machine, run, zone),
        *_conditions(machine, is_cut),
        *_held(machine, is_cut, zone),
        *_knife(machine, is_cut),
    )


def cuts(run: Run | None) -> bool:
    """Whether the knife cuts in a run."""
    return run is not None and run.strips_per_turn > 0


def _held(machine: Machine, is_cut: bool, zone: str) -> Iterator[Task]:
    if machine.hold and machine.held_since is not None:
        what, look = HOLDS[machine.hold]
        said = SAYS.get(machine.hold, OF_ITSELF)
        why = f"Since {formatting.moment(machine.held_since, zone)}: {said}."
        yield Task(what, why, None, "now", (Step(look), *going_on(machine.hold, is_cut)))


def _away(machine: Machine, run: Run | None, zone: str) -> Iterator[Task]:
    """Nobody hears of it: it was never begun, or it was ended in order, or why is not known."""
    due = machine.silent_since
    if due is not None and was_missed(machine, Heartbeat.objects.filter(machine_id=machine.id).first()):
        why = f"It should have begun to print at {formatting.moment(due, zone)}, and was never heard."
        look = Step("Is the board beside it there, switched on and plugged in? Put that right.")
        yield Task("See to its board", why, None, "now", (look, Step("If it is, or there is none, ring.")))
    elif machine.stopped_at is not None and run is not None:
        when = formatting.moment(machine.stopped_at, zone)
        why = f"Its board was ended in order at {when}: nothing is printed until it begins again."
        ask = Step("Ask who ended it, and why. Until that is settled it stays so.")
        again = Step("Switch the board beside it off and on again. If it stays so, ring.", (NEAR,))
        yield Task("Let its board begin again", why, None, "now", (ask, again))
    else:
        yield from _silent(machine, zone)


def _silent(machine: Machine, zone: str) -> Iterator[Task]:
    if machine.silent_since is not None:
        why = f"No word has come from it since {formatting.moment(machine.silent_since, zone)}. It may be printing on."
        look = "Look, without touching: does the paper go on? Then leave it as it is, and switch nothing off."
        plugs = "Are the board beside it and the network of the house switched on and plugged in? Put that right."
        steps = (Step(look, (NEAR,)), Step(plugs), Step("If it stands still, or stays silent for an hour, ring."))
        yield Task("See whether it prints on", why, None, "now", steps)


def _conditions(machine: Machine, is_cut: bool) -> Iterator[Task]:
    for keyword in machine.conditions:
        if keyword.startswith(TOLD_OTHERWISE):
            continue
        said = gloss(keyword)
        part = next((part for start, part in ASK_FOR.items() if keyword.startswith(start)), None)
        steps: tuple[Step, ...] = (at_panel("park"),)
        if part is not None:
            steps = changing(part, is_cut)
        elif keyword.startswith(HAVE_AT_HAND):
            steps = ()
        yield Task(f"{said[0].upper()}{said[1:]}", f"The machine says {keyword}.", None, "now", steps, part)


def _knife(machine: Machine, is_cut: bool) -> Iterator[Task]:
    """A knife that is disarmed while the machine prints; what holds a machine ends with arming it, too."""
    if is_cut and machine.epoch and not knife_is_armed(machine) and not machine.hold:
        why = "It is disarmed: strips are left hanging on to each other until somebody arms it."
        look = Step("Look at the machine. If anything is unusual, or you may not do this here, ring.")
        yield Task("Arm the knife", why, None, "now", (look, at_panel(ARM)))


def changes(machine: Machine, run: Run | None, now: datetime, venue: Venue) -> tuple[tuple[Task, ...], tuple[str, ...]]:
    """What is to be changed within a week, in order of time; and what is known of the rest, in sentences.

    Raises:
        Busy: it has to be counted, and too much is being made.
    """
    try:
        counted = kept_forecast(machine, now, wiring.plates(), TURNS.turn).forecast
    except PlateGone:
        return (), ("What is left on roll, cartridge and blade cannot be counted now: look at them, and ring.",)
    due, rest = [], []
    for part, end in _ends(counted):
        if end is None:
            rest.append(f"The {part} lasts to the end of the run.")
        elif end.at - now > AHEAD:
            rest.append(f"The {part} lasts, by count, until {formatting.date(end.at, venue.zone)}.")
        else:
            fresh = end_at(venue, part, end.turn, end.column, end.at, now)
            due.append(_change(part, fresh, cuts(run), now, venue.zone))
    return tuple(sorted(due, key=lambda task: task.due or now)), tuple(rest)


def _ends(counted: Forecast) -> Iterator[tuple[Consumable, End | None]]:
    if counted.run is None:
        return
    yield "roll", counted.run.roll_ends
    if counted.cartridge is not None:
        yield "cartridge", counted.run.cartridge_ends
    if counted.blade is not None:
        yield "blade", counted.run.blade_ends


def _change(part: Consumable, end: End, is_cut: bool, now: datetime, zone: str) -> Task:
    """A change is due in its service window, if there is one; else before the part ends."""
    moment = formatting.moment(end.at, zone)
    why = f"By count it ends at {moment}"
    if end.falls is not None:
        why += f", {end.falls}: change it before"
    window, until = end.change.window, end.change.until
    if window is not None and until is not None:
        due, when = window.starts_at, f"in {window.name}, {formatting.span(window.starts_at, until, zone)}"
    else:
        due, when = end.at, _before(end.at, now, zone)
    return Task(f"Change the {part}", f"{why}.", due, when, changing(part, is_cut), part, window is not None)


def _before(end: datetime, now: datetime, zone: str) -> str:
    if end <= now:
        return "now: it is overdue"
    if formatting.date(end, zone) == formatting.date(now, zone):
        return f"today, before {formatting.clock_time(end, zone)}"
    return f"before {formatting.moment(end, zone)}"
