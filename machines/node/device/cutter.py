"""Cutting where a strip's boundary stands under the knife, and saying so where it was not cut."""

from __future__ import annotations

import sqlite3

from machines.clock import utc
from machines.drivers import Driver, MachineStopped
from machines.model.profile import Profile
from machines.node.device.reporting import disarm, report_conditions
from machines.node.store import outbox, strips
from machines.node.store.journal import Journal
from machines.node.work.snapshot import Snapshot
from machines.operator.stop_causes import cause_of
from machines.protocol.journal_entries import StripCut, Uncut


def cut(
    journal: Journal, snapshot: Snapshot, profile: Profile, driver: Driver, now: float, *, quiet: bool = False
) -> bool:
    """Deal with the next boundary, if it has come to the knife or passed it; ``now`` by the server, POSIX seconds.

    It is cut only in its place and with the knife armed. One that an earlier agent ordered and did not see done is not
    cut again. While it is ``quiet`` the knife does not move; as paper is never drawn back, that strip hangs on to the
    next one, whose end is cut once quiet is over. One whose place has passed an armed knife is left uncut likewise, and
    the knife stays armed.
    """
    state, pending = snapshot.state, snapshot.pending
    under_knife = state.paper_position - profile.knife_columns
    if not pending or pending[0].place > under_knife:
        return False
    place = pending[0].place
    come = [strip for strip in pending if strip.place == place]
    allowed = state.knife_armed and place == under_knife and not any(strip.ordered for strip in come)
    # A strip without columns, all left out, ends where the one before it ended.
    held = quiet and allowed and place != state.cut_place
    passed = state.knife_armed and place < under_knife
    made = place == state.cut_place or (allowed and not quiet and _drive(journal, driver, come, now))
    with journal.transaction() as db:
        if made:
            note_cut(db, place)
        for strip in come:
            _report(db, strip, now, made=made, why=None if made else "quiet" if held else "passed" if passed else None)
        strips.done(db, come)
    return True


def note_cut(db: sqlite3.Connection, place: int) -> None:
    """The knife has cut there, once. Somebody may have put a new blade in meanwhile."""
    db.execute("UPDATE state SET blade_cuts = blade_cuts + (cut_place <> :place), cut_place = :place", {"place": place})


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


def _report(db: sqlite3.Connection, strip: strips.Strip, now: float, *, made: bool, why: Uncut | None) -> None:
    entry = StripCut(
        seq=outbox.next_seq(db),
        at=utc(now),
        run=strip.run,
        boundary=strip.boundary,
        paper_position=strip.place,
        made=made,
        why=why,
    )
    outbox.append(db, entry)
