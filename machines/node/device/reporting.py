"""Small facts that the journal reports as soon as the time is known: a start, an armed knife, the machine's word."""

from __future__ import annotations

import logging

from machines.clock import utc
from machines.drivers import Driver, MachineStopped
from machines.node.store import operator_actions, outbox
from machines.node.store.journal import AFTER_ORDERLY, AFTER_UNPLANNED, Journal, State, change_state, read_state
from machines.operator import holds
from machines.operator.stop_causes import TIME_IN_DOUBT, stops_printing
from machines.protocol.journal_entries import (
    ConditionsChanged,
    Disarming,
    KnifeArmed,
    KnifeDisarmed,
    NodeStarted,
    NodeStopped,
)
from machines.recovery import Cause

log = logging.getLogger(__name__)


def begin(journal: Journal, *, resume_unattended: bool) -> Cause:
    """An agent begins. After a stop that was not in order the knife is disarmed until a person arms it, and nothing is
    printed until a person resumes, unless it may resume unattended.

    Returns:
        the cause of what may be missing since the last one.
    """
    with journal.transaction() as db:
        state = read_state(db)
        unplanned = state.running or state.start_to_report == AFTER_UNPLANNED
        to_report = AFTER_UNPLANNED if unplanned else AFTER_ORDERLY
        # An arming asked of the agent before is void: who asked may be gone.
        change_state(db, running=1, arming_asked=0, start_to_report=to_report)
        if state.running:
            change_state(db, knife_armed=0)
            if not resume_unattended and not state.hold:
                change_state(db, hold=holds.UNPLANNED)
    if state.running:
        log.warning("the last stop was not in order: the knife is disarmed until a person arms it")
    return "power" if state.running else "service"


def hold_after_unplanned_stop(journal: Journal, hold: str = holds.UNPLANNED) -> None:
    """The machine stopped by itself: nothing moves until a person has looked at it and resumes."""
    with journal.transaction() as db:
        if not read_state(db).hold:
            change_state(db, hold=hold)
    log.warning("the machine: %s", holds.AT_MACHINE[hold])


def report_actions(journal: Journal, state: State, now: float) -> bool:
    """Say what a person did at the machine, if that was not said."""
    if not state.actions:
        return False
    with journal.transaction() as db:
        operator_actions.report(db, now)
    return True


def report_disarmings(journal: Journal, state: State, now: float) -> bool:
    """Say that the knife was disarmed, if that was not said; ``now`` by the server, POSIX seconds."""
    if not state.disarmings:
        return False
    with journal.transaction() as db:
        for number, why in db.execute("SELECT id, why FROM disarming ORDER BY id").fetchall():
            outbox.append(db, KnifeDisarmed(seq=outbox.next_seq(db), at=utc(now), why=why))
            db.execute("DELETE FROM disarming WHERE id = ?", (number,))
    return True


def report_all(journal: Journal, state: State, now: float) -> bool:
    """Say what was not said while the time was not known, in the order in which it came; whether there was anything.

    What disarmed the knife came after what a person did. Beside a start that is not told either, it is told first, as
    it came before that unless a person acted since; what is known in the end is the same.
    """
    if state.start_to_report and state.disarmings:
        return report_disarmings(journal, state, now)
    return (
        report_start(journal, state, now)
        or report_actions(journal, state, now)
        or report_disarmings(journal, state, now)
    )


def report_stop(journal: Journal, now: float) -> None:
    """Say that the agent ends in order; ``now`` by the server, POSIX seconds."""
    while report_all(journal, journal.state(), now):
        pass
    with journal.transaction() as db:
        outbox.append(db, NodeStopped(seq=outbox.next_seq(db), at=utc(now)))


def report_start(journal: Journal, state: State, now: float) -> bool:
    """Say that the agent began, if that was not said; ``now`` by the server, POSIX seconds."""
    if not state.start_to_report:
        return False
    unplanned = state.start_to_report == AFTER_UNPLANNED
    with journal.transaction() as db:
        goes_on = unplanned and not read_state(db).hold
        outbox.append(db, NodeStarted(seq=outbox.next_seq(db), at=utc(now), unplanned_stop=unplanned, goes_on=goes_on))
        change_state(db, start_to_report=0)
    return True


def arm(journal: Journal, driver: Driver, state: State, now: float) -> bool:
    """Arm the knife, if a person asked: first the machine's, then the journal's word for it."""
    if not state.arming_asked:
        return False
    try:
        driver.arm()
    except MachineStopped as stop:
        disarm(journal, "machine")
        report_conditions(journal, stop.keywords, now)
        return True
    with journal.transaction() as db:
        outbox.append(db, KnifeArmed(seq=outbox.next_seq(db), at=utc(now)))
        change_state(db, arming_asked=0, knife_armed=1)
    log.warning("the knife is armed")
    return True


def disarm(journal: Journal, why: Disarming) -> None:
    """The machine has stopped, or says that its knife is disarmed. An arming that was asked for is void, too. It is
    reported as soon as the time is known."""
    state = journal.state()
    if state.knife_armed or state.arming_asked:
        with journal.transaction() as db:
            change_state(db, knife_armed=0, arming_asked=0)
            if state.knife_armed:
                db.execute("INSERT INTO disarming (why) VALUES (?)", (why,))
    if state.knife_armed:
        log.warning("the knife is disarmed until a person arms it")


def report_conditions(journal: Journal, keywords: tuple[str, ...], now: float) -> None:
    """Say that the machine's conditions are these, if they were others."""
    before = journal.state().conditions
    if keywords == before:
        return
    is_over = any(map(stops_printing, before)) and not any(map(stops_printing, keywords))
    with journal.transaction() as db:
        goes_on = is_over and not read_state(db).hold
        outbox.append(db, ConditionsChanged(seq=outbox.next_seq(db), at=utc(now), keywords=keywords, goes_on=goes_on))
        change_state(db, conditions=" ".join(keywords))
    log.warning("the machine says: %s", ", ".join(keywords) or "nothing is wrong")


def report_doubt(journal: Journal, rival_now: float, error_s: float, tolerance_s: float) -> None:
    """Say that nothing is printed because the server's clock stepped; ``rival_now`` is what it tells, POSIX seconds."""
    if journal.state().conditions != (TIME_IN_DOUBT,):
        message = "the time is in doubt by %.3g s, and this machine prints to within %.3g s: nothing is printed"
        log.warning(message, error_s, tolerance_s)
    report_conditions(journal, (TIME_IN_DOUBT,), rival_now)
