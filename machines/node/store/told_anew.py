"""How the machine stands, said once more where a board is enrolled anew.

Its server then knows nothing of what holds the machine, of what the machine says and of its knife: another board may
have been there. What the journal has told of it before would not be told again, and the machine be thought to print
with a person's hands in it.
"""

from __future__ import annotations

import sqlite3
from collections.abc import Mapping

from machines.node.store.journal import AFTER_UNPLANNED, change_state, read_state
from machines.node.store.operator_actions import HALTING
from machines.operator.holds import HELD_AFTER, Hold
from machines.protocol.journal_entries import Action

_HELD_BY: Mapping[Hold, Action] = {HELD_AFTER[action]: action for action in HALTING}


def tell_anew(db: sqlite3.Connection) -> None:
    """See that it is told when an agent begins. A knife that was armed is off, until a person arms it: who armed it
    cannot know how long the board was away, and to the server it is off."""
    state = read_state(db)
    if state.knife_armed:
        db.execute("INSERT INTO disarming (why) VALUES ('enrolled')")
    change_state(db, knife_armed=0, conditions="")
    if state.hold in _HELD_BY:
        db.execute("INSERT INTO action (name) VALUES (?)", (_HELD_BY[state.hold],))
    elif state.hold:
        change_state(db, start_to_report=AFTER_UNPLANNED)
