"""Cutting where a strip's boundary stands under the knife, and saying so where it was not cut."""

from __future__ import annotations

import sqlite3

from machines.clock import utc
from machines.drivers import Driver, MachineStopped
from machines.model.profile import Profile
from machines.node.device.reporting import disarm, report_conditions
from machines.node.store import outbox, strips
from machines.node.store.journal import Journal, State, change_state
from machines.operator.stop_causes import cause_of
from machines.protocol.journal_entries import StripCut


def cut(journal: Journal, state: State, profile: Profile, driver: Driver, now: float) -> bool:
    """Deal with the next boundary, if it has come to the knife or passed it; ``now`` by the server, POSIX seconds.

    It is cut only in its place and with the knife armed. One that an earlier agent ordered and did not see done is not
    cut again.
    """
    pending = journal.kept(strips.pending)
    under_knife = state.paper_position - profile.knife_columns
    if not pending or pending[0].place > under_knife:
        return False
    place = pending[0].place
    come = [strip for strip in pending if strip.place == place]
    allowed = state.knife_armed and place == under_knife and not any(strip.ordered for strip in come)
    # A strip without columns, all left out, ends where the one before it ended.
    made = place == state.cut_place or (allowed and _drive(journal, driver, come, now))
    with journal.transaction() as db:
        if made:
            change_state(db, cut_place=place)
        if made and place != state.cut_place:
            change_state(db, blade_cuts=state.blade_cuts + 1)
        for strip in come:
            _report(db, strip, now, made)
        strips.done(db, come)
    return True


def _drive(journal: Journal, driver: Driver, come: list[strips.Strip], now: float) -> bool:
    with journal.transaction() as db:
        strips.order(db, come)
    try:
        driver.cut(come[0].place)
    except MachineStopped as stop:
        disarm(journal, cause_of(stop.keywords))
        report_conditions(journal, stop.keywords, now)
        return False
    return True


def _report(db: sqlite3.Connection, strip: strips.Strip, now: float, made: bool) -> None:
    entry = StripCut(
        seq=outbox.next_seq(db),
        at=utc(now),
        run=strip.run,
        boundary=strip.boundary,
        paper_position=strip.place,
        made=made,
    )
    outbox.append(db, entry)
