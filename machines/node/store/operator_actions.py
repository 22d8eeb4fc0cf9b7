"""What a person does at the machine, and what holds the machine back until a person lets it go on.

               pause, park             resume
    printing ------------> paused, parked ------------> printing
        |                     ^        \\
        | stop                | release  \\ stop
        +------> stopped -----+ <--------/               an unplanned stop, unless it may resume unattended:
                                                         waits until resume; so does a machine that refuses every order

Nothing moves while something holds; the head is capped and parked, and the knife is disarmed. A release alone starts
nothing, as is usual for stop controls (ISO 13850, cited by number only). None of this is a safety function.
"""

from __future__ import annotations

import sqlite3
from dataclasses import dataclass

from machines.clock import utc
from machines.errors import InputError
from machines.model.profile import Profile
from machines.node.store import outbox, part_changes
from machines.node.store.journal import change_state, read_state
from machines.node.store.part_changes import TAKES_BACK
from machines.node.store.slip_state import begin_anew
from machines.operator.holds import AT_MACHINE, HELD_AFTER, PARKED, PAUSED, REFUSING, STOPPED, UNPLANNED
from machines.operator.labels import LABELS
from machines.operator.language import _, marked
from machines.protocol.journal_entries import Action, OperatorActed


@dataclass(frozen=True, kw_only=True)
class _Step:
    """From which holds an action is possible, and what to do if not."""

    allowed: frozenset[str]
    remedy: str


_STANDING = frozenset({STOPPED, PAUSED, PARKED, UNPLANNED, REFUSING})
_NOT_STOPPED = frozenset({"", PAUSED, PARKED, UNPLANNED, REFUSING})
_CHANGED = _Step(allowed=_STANDING, remedy=marked("park it for service first"))
_STEPS: dict[Action, _Step] = {
    "stop": _Step(allowed=_STANDING | {""}, remedy=""),
    "release": _Step(allowed=frozenset({STOPPED}), remedy=marked("only a stop is released")),
    "pause": _Step(allowed=_NOT_STOPPED, remedy=marked("release the stop first")),
    "park": _Step(allowed=_NOT_STOPPED, remedy=marked("release the stop first")),
    "resume": _Step(allowed=_STANDING - {STOPPED}, remedy=marked("release the stop first, if it is stopped")),
    "roll-changed": _CHANGED,
    "cartridge-changed": _CHANGED,
    "blade-changed": _CHANGED,
    **dict.fromkeys(TAKES_BACK, _Step(allowed=_STANDING | {""}, remedy="")),  # which moves nothing
}


# By these it comes to rest.
HALTING: frozenset[Action] = frozenset({"stop", "pause", "park"})


def why_not(hold: str, action: Action) -> str:
    """What must be done first, as the machine stands; empty if the action can be done."""
    return "" if hold in _STEPS[action].allowed else _(_STEPS[action].remedy)


def is_so(hold: str, action: Action) -> bool:
    """Whether a machine is held already as an action would have it."""
    return hold != "" and hold == HELD_AFTER.get(action)


def why_not_anybody(hold: str, action: Action) -> str:
    """Why somebody whom nobody knows cannot do it; empty if they can. They hold a machine that goes, or hold it faster:
    were one that is parked only paused, its knife could be armed while hands are in it."""
    if is_so(hold, action):
        return _("it is so already")
    if action == "pause" and hold:
        return _("it stands still already")
    return why_not(hold, action)


def act(db: sqlite3.Connection, action: Action, *, by_anybody: bool = False, turn_columns: int | None = None) -> None:
    """Write down what a person at the machine did or asks for. It is reported as soon as the time is known.

    Args:
        db: a transaction.
        action: of theirs.
        by_anybody: whether nobody knows who they are.
        turn_columns: of the machine, by which `part_changes.mistakes` goes.

    Raises:
        InputError: it cannot be done as the machine stands.
    """
    state = read_state(db)
    if problem := (why_not_anybody if by_anybody else why_not)(state.hold, action):
        said = _("{action} cannot be done now: {why}")
        raise InputError("action", said.format(action=_(LABELS[action]), why=_(AT_MACHINE[state.hold])), problem)
    if action in HELD_AFTER:
        change_state(db, hold=HELD_AFTER[action])
    if action in TAKES_BACK.values():
        part_changes.note(db, action, state)
    if action in TAKES_BACK:
        part_changes.take_back(db, action, turn_columns)
    if action == "roll-changed":
        change_state(db, roll_place=state.paper_position)
        begin_anew(db)
    if action == "blade-changed":
        change_state(db, blade_cuts=0)
    if action == "cartridge-changed":
        change_state(db, drops=0, drops_since=None)
    db.execute("INSERT INTO action (name) VALUES (?)", (action,))


def comes_to_rest(db: sqlite3.Connection, action: Action) -> bool:
    """Whether it comes to rest by an action, capped and its knife disarmed; not where it is held so already: a knife
    that was armed while it was paused stays so."""
    return action in HALTING and not is_so(read_state(db).hold, action)


def said_after(db: sqlite3.Connection, action: Action, profile: Profile | None) -> str:
    """What a person who did it has still to do, where nothing is under way; empty for nothing.

    Args:
        db: the journal.
        action: of theirs.
        profile: of the machine; None before the server has described it.
    """
    armed = read_state(db).knife_armed
    if action in TAKES_BACK.values():
        (back,) = (_(LABELS[taking]) for taking, changed in TAKES_BACK.items() if changed == action)
        return " " + _("If that was a mistake, take it back: {action}.").format(action=back)
    if action in HALTING and armed:
        return " " + _("Its knife is armed: park it, or stop it, to have it off.")
    if action != "resume" or profile is None or profile.knife is None or armed:
        return ""
    return " " + _("The knife is off: arm it, or strips are left hanging on to each other.")


def report(db: sqlite3.Connection, now: float) -> None:
    """Enter all that was done and not reported yet, in order; ``now`` by the server, POSIX seconds."""
    rows = db.execute(
        "SELECT id, name, pattern, paper_position, paper_columns, seen_done, error_s FROM action ORDER BY id"
    ).fetchall()
    for number, name, pattern, place, columns, seen_done, error_s in rows:
        entry = OperatorActed(
            seq=outbox.next_seq(db),
            at=utc(now),
            action=name,
            pattern=pattern,
            paper_position=place,
            paper_columns=columns,
            seen_done=bool(seen_done),
            error_s=error_s,
        )
        outbox.append(db, entry)
        db.execute("DELETE FROM action WHERE id = ?", (number,))
