"""How the machine stands, said once more where a board is enrolled anew.

Its server then knows nothing of what holds the machine, of what the machine says and of its knife: another board may
have been there. What the journal has told of it before would not be told again, and the machine be thought to print
with a person's hands in it.
"""

from __future__ import annotations

import sqlite3
from collections.abc import Mapping

from machines.node.store import part_changes
from machines.node.store.journal import AFTER_UNPLANNED, change_state, read_state
from machines.node.store.operator_actions import HALTING
from machines.node.store.telling import as_told
from machines.operator.holds import HELD_AFTER, Hold
from machines.protocol.journal_entries import Action, ConditionsChanged

_HELD_BY: Mapping[Hold, Action] = {HELD_AFTER[action]: action for action in HALTING}


def tell_anew(db: sqlite3.Connection) -> None:
    """See that it is told when an agent begins. A knife that was armed is off, until a person arms it: who armed it
    cannot know how long the board was away, and to the server it is off. Of what the machine says, the server will have
    been told last what the journal still has to tell: from that on it is told what is otherwise."""
    state = read_state(db)
    part_changes.forget(db)
    if state.knife_armed:
        db.execute("INSERT INTO disarming (why) VALUES ('enrolled')")
    change_state(db, knife_armed=0, conditions=" ".join(_conditions_to_be_told(db)))
    if state.hold in _HELD_BY:
        db.execute("INSERT INTO action (name) VALUES (?)", (_HELD_BY[state.hold],))
    elif state.hold:
        change_state(db, start_to_report=AFTER_UNPLANNED)


def _conditions_to_be_told(db: sqlite3.Connection) -> tuple[str, ...]:
    """Of the newest that can be read; a journal may be spoilt, or of a newer program."""
    for seq, body in db.execute("SELECT seq, body FROM entry WHERE NOT accepted ORDER BY seq DESC"):
        told = as_told(seq, body)
        if told.get("kind") == ConditionsChanged.kind and isinstance(keywords := told.get("keywords"), list):
            return tuple(map(str, keywords))
    return ()
