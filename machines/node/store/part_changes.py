"""What a person at the machine said of its parts, and how the counts stood before: said by mistake, it is taken back.

Nothing is undone: that it was a mistake is told as a fact of its own. What was used since then was of the part that
was there all the while, so its count goes on with it. The paper's slip is counted anew all the same, as with a change:
whoever took the one part for the other may have moved the paper.
"""

from __future__ import annotations

import sqlite3
from collections.abc import Mapping
from dataclasses import dataclass

from machines.errors import InputError
from machines.node.store.documents import get_document, put_document
from machines.node.store.journal import State, change_state, read_state
from machines.operator.labels import LABELS
from machines.operator.language import _, marked
from machines.protocol.journal_entries import Action

# A person says of few parts that they were changed before the machine goes on.
MOST_KEPT = 12
# What takes back what.
TAKES_BACK: Mapping[Action, Action] = {
    "roll-not-changed": "roll-changed",
    "cartridge-not-changed": "cartridge-changed",
    "blade-not-changed": "blade-changed",
}
NOBODY = marked("of late nobody said that it was")
_DOCUMENT = "part-changes"


@dataclass(frozen=True, kw_only=True)
class PartChange:
    """That a part was changed, as a person said.

    Attributes:
        action: which.
        place: columns of paper that were fed by then.
        roll_place, blade_cuts, drops, drops_since: as the journal had them before; see its state.
    """

    action: Action
    place: int
    roll_place: int
    blade_cuts: int
    drops: int
    drops_since: float | None


@dataclass(frozen=True)
class _Kept:
    changes: tuple[PartChange, ...] = ()


def note(db: sqlite3.Connection, action: Action, before: State) -> None:
    """Remember how the counts stood before a change that a person tells of."""
    change = PartChange(
        action=action,
        place=before.paper_position,
        roll_place=before.roll_place,
        blade_cuts=before.blade_cuts,
        drops=before.drops,
        drops_since=before.drops_since,
    )
    put_document(db, _DOCUMENT, _Kept((*_kept(db), change)[-MOST_KEPT:]))


def mistakes(db: sqlite3.Connection, turn_columns: int | None) -> tuple[Action, ...]:
    """What can be taken back now, each by its own name, of what was said last first. It can be for as long as no more
    than a turn of paper was used since: the next day somebody still knows. Later the count is put right at the next
    change only.

    Args:
        db: the journal.
        turn_columns: of the machine; None before its server has described it, which then has printed nothing.
    """
    place = read_state(db).paper_position
    said = [one.action for one in reversed(_kept(db)) if turn_columns is None or place - one.place <= turn_columns]
    by_change = {changed: taking for taking, changed in TAKES_BACK.items()}
    return tuple(dict.fromkeys(by_change[one] for one in said if one in by_change))


def take_back(db: sqlite3.Connection, action: Action, turn_columns: int | None) -> None:
    """Count on as if it had not been said.

    Raises:
        InputError: nobody said so of late.
    """
    if action not in mistakes(db, turn_columns):
        said = _("{action} cannot be done now: {why}").format(action=_(LABELS[action]), why=_(NOBODY))
        raise InputError("action", said, _("what was said before the last turn of paper stays; ring if it is wrong"))
    kept, state = list(_kept(db)), read_state(db)
    was = kept.pop(max(at for at, one in enumerate(kept) if one.action == TAKES_BACK[action]))
    put_document(db, _DOCUMENT, _Kept(tuple(kept)))
    if action == "roll-not-changed":
        change_state(db, roll_place=was.roll_place)
    if action == "blade-not-changed":
        change_state(db, blade_cuts=was.blade_cuts + state.blade_cuts)
    if action == "cartridge-not-changed":
        since = state.drops_since if was.drops_since is None else was.drops_since
        change_state(db, drops=was.drops + state.drops, drops_since=since)


def forget(db: sqlite3.Connection) -> None:
    """Where another board may have told of the parts since, what this one said last is not what was said last."""
    put_document(db, _DOCUMENT, _Kept())


def _kept(db: sqlite3.Connection) -> tuple[PartChange, ...]:
    kept = get_document(db, _DOCUMENT, _Kept)
    return () if kept is None else kept.changes
