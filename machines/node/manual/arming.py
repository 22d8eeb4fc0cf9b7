"""Asking the agent to arm the knife, or to come to rest with it off, for a person who stands beside the machine and
waits for the answer."""

from __future__ import annotations

from machines.errors import InputError
from machines.node.store import operator_actions
from machines.node.store.journal import Journal, State, change_state, read_state
from machines.node.work import held_work as holding
from machines.operator.language import _
from machines.protocol.journal_entries import Action

LIMIT_S = 10.0
REST_LIMIT_S = 3.0
LOOK_S = 0.05


def ask_to_arm(journal: Journal, limit_s: float = LIMIT_S) -> None:
    """Leave word in the journal and wait until the agent has taken it up; what it did not take up is void.

    Args:
        journal: the node's.
        limit_s: how long to wait, real seconds.

    Raises:
        InputError: the knife is not armed.
    """
    with journal.transaction() as db:
        change_state(db, arming_asked=1)
    journal.news.until(lambda: not journal.state().arming_asked, limit_s, LOOK_S)
    with journal.transaction() as db:
        state = read_state(db)
        if state.arming_asked:
            change_state(db, arming_asked=0)
    if state.arming_asked:
        remedy = _("look at the node's status: it may not know the time yet, or have no run")
        raise InputError("arm", _("the agent did not answer"), remedy)
    _require_armed(state)


def act(journal: Journal, action: Action, *, runs: bool = True, by_anybody: bool = False) -> str:
    """Do what a person at the machine asks for, and wait until it has come to rest, where it does.

    Args:
        journal: the node's.
        action: see `machines.node.store.operator_actions`.
        runs: whether an agent does; without one nothing comes to rest, nor moves.
        by_anybody: see `machines.node.store.operator_actions.act`.

    Returns:
        what they have still to know; empty for nothing.

    Raises:
        InputError: it cannot be done as the machine stands.
    """
    with journal.transaction() as db:
        comes = operator_actions.comes_to_rest(db, action)
        described = holding.machine(db)
        profile = None if described is None else described[0]
        turn_columns = None if profile is None else profile.columns_per_turn
        operator_actions.act(db, action, by_anybody=by_anybody, turn_columns=turn_columns)
        more = operator_actions.said_after(db, action, profile)
    if not comes:
        return more
    if runs and not wait_for_rest(journal):
        return " " + _("It is still coming to rest, and its knife is armed until then: look again.")
    return ""


def wait_for_rest(journal: Journal, limit_s: float = REST_LIMIT_S) -> bool:
    """Wait until the agent that runs has disarmed the knife of a machine that a person holds.

    Args:
        journal: the node's.
        limit_s: how long to wait, real seconds; a stretch that is being laid may take longer.

    Returns:
        whether it has.
    """
    return journal.news.until(lambda: not journal.state().knife_armed, limit_s, LOOK_S)


def _require_armed(state: State) -> None:
    if not state.knife_armed:
        said = _("the machine did not arm its knife ({why})").format(why=", ".join(state.conditions) or _("no reason"))
        raise InputError("arm", said, _("see to the machine, and ask again"))
