"""What a person at the machine has it do while it is paused: feed blank paper, cut, print a test pattern, hear where
its paper stands.

    asked --> begun, part by part --> done
       \\           \\----> stopped: by the machine, by a person, or by a power cut
        \\--> void: nobody paused any more

The paper of each part counts as used in the journal before the machine moves, so that whatever happens in between, it
is never printed over. Nothing that was begun is ever done again by itself.
"""

from __future__ import annotations

import sqlite3
from dataclasses import dataclass
from typing import Literal

from machines.errors import InputError
from machines.imaging.patterns import CUT_PATTERNS
from machines.model.profile import Profile
from machines.node.manual import position_recovery, prints
from machines.node.manual.prints import HandPrint
from machines.node.store.journal import Journal, State, change_state, read_state
from machines.node.store.slip_state import begin_anew
from machines.node.work import held_work as holding
from machines.node.work import order_log, takeover
from machines.operator import holds
from machines.operator.labels import LABELS
from machines.operator.language import _, marked
from machines.protocol.journal_entries import TestPattern

HandAction = Literal["feed", "cut", "test-pattern", "place-set"]
DONE, VOID = "done", "void"
KNOWS = marked("the machine knows its place, and nothing needs to be told")
FEED_MM = 50.0
TOLD = marked("The machine knows its place again, and prints behind it: resume it when all is clear.")
# How long a person waits for the agent to begin, and then for the end, real seconds.
BEGIN_LIMIT_S, END_LIMIT_S, LOOK_S = 5.0, 20.0, 0.05


@dataclass(frozen=True, kw_only=True)
class Handwork:
    """Something that was asked for.

    Attributes:
        id: its number.
        action: what.
        pattern: of a test pattern, which.
        length_mm: of blank paper, to be fed or, where the place is set, fed by hand before.
        place: where it begins on the paper, or is cut; None before it is begun.
        given: columns of paper used for it so far.
        ended: how: ``done``, ``void``, or why not; empty while it is not.
    """

    id: int
    action: HandAction
    pattern: TestPattern | None
    length_mm: float | None
    place: int | None
    given: int
    ended: str

    def on(self, profile: Profile) -> HandPrint:
        """What it is on a machine of this profile; a cut and a word take no paper."""
        if self.action == "test-pattern":
            assert self.pattern is not None, "checked when it was asked for"
            return prints.pattern(profile, self.pattern)
        if self.action == "feed":
            assert self.length_mm is not None, "given when it was asked for"
            return prints.feed(profile, self.length_mm)
        cut_column, reading = (0, "") if self.action == "cut" else (None, TOLD)
        return HandPrint(0, lambda first, end: prints.feed(profile, 1.0).part(first, end), cut_column, reading)


def why_not(
    action: HandAction, state: State, profile: Profile | None, pattern: TestPattern | None = None
) -> tuple[str, str] | None:
    """What stands in the way and what to do about it; None if nothing does."""
    if state.fenced:
        return _("another board has taken over"), _("use that one")
    if state.hold != holds.PAUSED:
        return _(holds.AT_MACHINE[state.hold]), _("pause it first; while it is parked, hands may be in it")
    if profile is None:
        return _("the node does not know its machine yet"), _("wait for its first work from the server")
    if state.handwork:
        return _("something else is under way"), _("wait for its end, or stop it")
    if action == "cut" or pattern in CUT_PATTERNS:
        if profile.knife is None:
            return _("this machine has no knife"), _("choose another")
        if not state.knife_armed:
            return _("the knife is disarmed"), _("arm it first, with all hands clear")
    return None


def ask(
    db: sqlite3.Connection, action: HandAction, *, length_mm: float = FEED_MM, pattern: TestPattern | None = None
) -> int:
    """Leave word for the agent; the number of what was asked for.

    Raises:
        InputError: it cannot be done as the machine stands.
    """
    machine = holding.machine(db)
    profile = None if machine is None else machine[0]
    if action == "test-pattern" and pattern is None:
        raise InputError("pattern", _("none was chosen"), _("choose one"))
    if problem := why_not(action, read_state(db), profile, pattern):
        said = _("{action} cannot be done now: {why}").format(action=_(LABELS[action]), why=problem[0])
        raise InputError("action", said, problem[1])
    if action == "place-set":
        position_recovery.check_fed(length_mm)
    asked = Handwork(id=0, action=action, pattern=pattern, length_mm=length_mm, place=None, given=0, ended="")
    assert profile is not None, "known, or there was a problem"
    asked.on(profile)  # it can be made
    row = (action, pattern, length_mm if action in ("feed", "place-set") else None)
    done = db.execute("INSERT INTO handwork (action, pattern, length_mm) VALUES (?, ?, ?)", row)
    assert done.lastrowid is not None
    return done.lastrowid


def read(db: sqlite3.Connection, id: int) -> Handwork:
    """What became of it."""
    (found,) = _select(db, "id = ?", id)
    return found


def current(db: sqlite3.Connection) -> Handwork | None:
    """The first that has not ended."""
    return next(iter(_select(db, "ended = '' ORDER BY id LIMIT 1")), None)


def _select(db: sqlite3.Connection, which: str, *values: int) -> list[Handwork]:
    query = f"SELECT id, action, pattern, length_mm, place, given, ended FROM handwork WHERE {which}"
    names = ("id", "action", "pattern", "length_mm", "place", "given", "ended")
    return [Handwork(**dict(zip(names, row, strict=True))) for row in db.execute(query, values)]


def begin(db: sqlite3.Connection, work: Handwork, profile: Profile, machine_end: int) -> None:
    """It is about to be done where the paper stands: after all that was laid or perhaps was, and after what the machine
    remembers to have begun, up to ``machine_end``."""
    state = read_state(db)
    here = max(order_log.end_of_paper(db), machine_end)
    is_more = state.run is not None and takeover.paper_unknown(db, machine_end) > 0
    if is_more:  # nobody could tell any more once this was fed
        takeover.begin(db)
    if state.gap_place is None and (is_more or (order_log.unknown_end(db) or 0) > state.next_column):
        change_state(db, gap_place=state.paper_position)
    change_state(db, paper_position=here)
    place = here - profile.knife_columns if work.action == "cut" else here
    db.execute("UPDATE handwork SET place = ? WHERE id = ?", (place, work.id))


def begin_telling(db: sqlite3.Connection, work: Handwork, profile: Profile) -> None:
    """The machine is about to be told its place: all up to it, and what is under the head's first nozzle, counts as
    used, and wherever an encoder finds the paper next, there it belongs."""
    assert work.length_mm is not None, "given when it was asked for"
    place = position_recovery.place_under_head(db, profile, work.length_mm)
    begin(db, work, profile, takeover.paper_known(db))
    begun = read(db, work.id)
    assert begun.place is not None, "it was begun just now"
    give(db, begun, place + 1 - begun.place)
    begin_anew(db)


def give(db: sqlite3.Connection, work: Handwork, columns: int) -> None:
    """The machine is about to be told to lay so many more columns: they count as used from now on."""
    assert work.place is not None, "it was begun"
    change_state(db, paper_position=work.place + work.given + columns)
    db.execute("UPDATE handwork SET given = given + ? WHERE id = ?", (columns, work.id))


def end(db: sqlite3.Connection, work: Handwork, how: str) -> None:
    """It came to an end. What was begun is told to the server, as soon as the time is known."""
    db.execute("UPDATE handwork SET ended = ? WHERE id = ?", (how, work.id))
    if work.place is not None:
        done = read(db, work.id)
        row = (work.action, work.pattern, done.place, done.given, how == DONE)
        into = "INSERT INTO action (name, pattern, paper_position, paper_columns, seen_done) VALUES (?, ?, ?, ?, ?)"
        db.execute(into, row)


def end_all(journal: Journal, how: str) -> None:
    """What was asked for is void, and what was begun is not gone on with."""
    if not journal.state().handwork:
        return
    with journal.transaction() as db:
        for work in _select(db, "ended = '' ORDER BY id"):
            end(db, work, VOID if work.place is None else how)


def wait(journal: Journal, id: int, begin_limit_s: float = BEGIN_LIMIT_S, end_limit_s: float = END_LIMIT_S) -> str:
    """Wait until the agent has done it, or for a while; what to say about it.

    Raises:
        InputError: it was not done.
    """
    if not _passes(journal, id, begin_limit_s, begun=True):
        with journal.transaction() as db:
            work = read(db, id)
            never_begun = work.place is None and not work.ended
            if never_begun:
                end(db, work, VOID)
        if never_begun:
            raise InputError("action", _("the agent did not take it up"), _("look at the node's status, and ask again"))
    if not _passes(journal, id, end_limit_s, begun=False):
        return _("It is under way; keep hands away until it stands.")
    with journal.reading() as db:
        work = read(db, id)
        machine = holding.machine(db)
    if work.ended == KNOWS:
        raise InputError("action", _(KNOWS), _("see what else the machine says, and resume it"))
    if work.ended != DONE:
        why = _("nobody paused any more") if work.ended == VOID else work.ended
        said = _("it was not done, or not all of it: {why}").format(why=why)
        raise InputError("action", said, _("see to the machine, and ask again"))
    assert machine is not None, "it was known when it was asked for"
    return _("Done. {reading}").format(reading=_(work.on(machine[0]).reading)).rstrip()


def _passes(journal: Journal, id: int, limit_s: float, *, begun: bool) -> bool:
    def has_come_so_far() -> bool:
        with journal.reading() as db:
            work = read(db, id)
        return bool(work.ended) or (begun and work.place is not None)

    return journal.news.until(has_come_so_far, limit_s, LOOK_S)
