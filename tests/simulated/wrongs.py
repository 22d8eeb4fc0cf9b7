"""Mistakes made on purpose: small ones, as somebody could make them, each in place of the right code for a while.

What a simulated world does not find of them it does not play, or the judge does not see: a gap to close.
"""

from __future__ import annotations

import itertools
import sqlite3
from collections.abc import Callable, Iterable, Iterator, Mapping
from contextlib import AbstractContextManager
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any, Literal
from unittest.mock import patch

from machines.node import facts, journal, knife, orders, plates, settling, takeover
from machines.node.at_hand import MachineAtHand
from machines.node.exchange import Exchange
from machines.node.failures import FencedOff
from machines.node.journal import change_state
from machines.node.plates import PlateStore
from tests.faults.scenario import Scenario, draw
from tests.simulated.more import draw_more

Where = Literal["seeds", "node", "server"]


@dataclass(frozen=True, kw_only=True)
class Wrong:
    """A mistake.

    Attributes:
        says: what is wrong.
        put: puts it in place; called where the server's modules may be imported.
        has: kinds of faults, of which a scenario must have one to show it; none for any.
        more: whether it takes what is drawn beside the scenarios of fault runs.
        where: in scenarios, or in the branches of a prefix where the power of a node or a server goes.
        policy: of that prefix.
        within: after how many of them it is found at the latest.
    """

    says: str
    put: Callable[[], AbstractContextManager[object]]
    has: frozenset[str] = frozenset()
    more: bool = False
    where: Where = "seeds"
    policy: str = "replay"
    within: int = 10

    def scenarios(self) -> Iterator[Scenario]:
        """Those that can show it, one seed after another."""
        drawn = map(draw_more if self.more else draw, itertools.count(1))
        return (scenario for scenario in drawn if not self.has or self.has & scenario.has)


def _nothing(*_: Any, **__: Any) -> None:
    """Forgotten."""


def _not_sent_again() -> AbstractContextManager[object]:
    return patch.object(Exchange, "_rewind", lambda self, expected: 0)


def _fence_not_kept() -> AbstractContextManager[object]:
    def wrong(self: Exchange, errand: Callable[[], None]) -> None:
        try:
            errand()
        except FencedOff:
            return

    return patch.object(Exchange, "_heed_fence", wrong)


def _cuts_unarmed() -> AbstractContextManager[object]:
    right = knife.cut

    def wrong(journal: Any, state: Any, *rest: Any) -> bool:
        return right(journal, replace(state, knife_armed=True), *rest)

    return patch.object(knife, "cut", wrong)


def _armed_for_ever() -> AbstractContextManager[object]:
    right = facts.begin

    def wrong(journal: Any, **options: Any) -> Any:
        armed = journal.state().knife_armed
        cause = right(journal, **options)
        with journal.transaction() as db:
            change_state(db, knife_armed=int(armed))
        return cause

    return patch.object(facts, "begin", wrong)


def _resumes_by_itself() -> AbstractContextManager[object]:
    right = facts.begin

    def wrong(journal: Any, **_: Any) -> Any:
        return right(journal, resume_unattended=True)

    return patch.object(facts, "begin", wrong)


def _position_slips() -> AbstractContextManager[object]:
    right = orders.report_printed

    def wrong(db: sqlite3.Connection, run: str) -> None:
        right(db, run)
        db.execute("UPDATE state SET paper_position = paper_position - 1")

    return patch.object(orders, "report_printed", wrong)


def _copy_taken() -> AbstractContextManager[object]:
    from scheduling import reports

    return patch.object(reports, "_require_same", _nothing)


def _told_twice() -> AbstractContextManager[object]:
    from scheduling import reports

    return patch.object(reports, "told_twice", lambda machine, entry: None)


def _word_not_given() -> AbstractContextManager[object]:
    from scheduling import reports

    return patch.object(reports, "was_given", lambda said, run: False)


def _again_for_ever() -> AbstractContextManager[object]:
    from scheduling.log.folds import runs

    return patch.object(runs, "no_longer_again", lambda rows, run, first, end: 0)


def _not_concluded() -> AbstractContextManager[object]:
    from scheduling.log.folds import runs

    return patch.object(runs, "conclude", _nothing)


def _first_hour_forgotten() -> AbstractContextManager[object]:
    from scheduling import dispatch

    right = dispatch._run_work

    def wrong(run: Any, offered: Any) -> Any:
        found = right(run, offered)
        return replace(found, first_unaccounted=found.first_column)

    return patch.object(dispatch, "_run_work", wrong)


def _octets_not_synced() -> AbstractContextManager[object]:
    def wrong(self: PlateStore, digest: str, columns: Iterable[bytes]) -> None:
        self._make_folder()
        partial = self.folder / "plate.partial"
        partial.write_bytes(b"".join(columns))
        partial.rename(self._path(digest))
        plates._sync_folder(self.folder)

    return patch.object(PlateStore, "_write", wrong)


def _names_not_synced() -> AbstractContextManager[object]:
    from scheduling import files

    return patch.object(files, "sync_folder", _nothing)


def _commits_not_synced() -> AbstractContextManager[object]:
    right = journal._check_and_create

    def wrong(connection: sqlite3.Connection, path: Path) -> None:
        right(connection, path)
        connection.execute("PRAGMA synchronous = NORMAL")

    return patch.object(journal, "_check_and_create", wrong)


WRONGS: Mapping[str, Wrong] = {
    "orders-forgotten": Wrong(
        says="what was ordered and has no outcome is ordered once more",
        put=lambda: patch.object(orders, "unknown_end", lambda db: None),
        where="node",
        within=40,
    ),
    "not-sent-again": Wrong(
        says="a server that was put back is not told again",
        put=_not_sent_again,
        has=frozenset({"server-restored"}),
    ),
    "left-run-forgotten": Wrong(
        says="where a run was left is forgotten",
        put=lambda: patch.object(orders, "left_run", lambda db, run: None),
        has=frozenset({"server-restored", "server-rebuilt"}),
        within=40,
    ),
    "word-not-heeded": Wrong(
        says="a person's word is not followed",
        put=lambda: patch.object(settling, "_holds", lambda override, kept, since: False),
        has=frozenset({"word-in-silence", "word-in-pause", "word-in-replay"}),
    ),
    "resumes-by-itself": Wrong(
        says="an attended machine goes on by itself after a power cut",
        put=_resumes_by_itself,
        has=frozenset({"attended"}),
        within=40,
    ),
    "jam-not-held": Wrong(
        says="an attended machine goes on by itself after a jam",
        put=lambda: patch.object(MachineAtHand, "_hold_unless_unattended", _nothing),
        has=frozenset({"machine-jammed"}),
        within=60,
    ),
    "fence-not-kept": Wrong(
        says="a board that was fenced off prints on",
        put=_fence_not_kept,
        has=frozenset({"node-cloned"}),
    ),
    "paper-forgotten": Wrong(
        says="a new board takes for blank what another one may have laid",
        put=lambda: patch.object(takeover, "perhaps_laid_until", lambda held, first, *rest: first),
        has=frozenset({"journal-damaged"}),
        within=20,
    ),
    "cuts-unarmed": Wrong(
        says="the knife cuts though nobody armed it",
        put=_cuts_unarmed,
        has=frozenset({"node-killed", "node-gone"}),
    ),
    "armed-for-ever": Wrong(
        says="the knife stays armed over a power cut",
        put=_armed_for_ever,
        has=frozenset({"node-killed", "node-gone"}),
        within=40,
    ),
    "position-slips": Wrong(
        says="the journal's place on the paper falls behind",
        put=_position_slips,
    ),
    "copy-taken": Wrong(
        says="the server takes the word of a copied board for its original's",
        put=_copy_taken,
        has=frozenset({"node-cloned"}),
        within=20,
    ),
    "told-twice": Wrong(
        says="columns that a journal tells again, having lost that it told them, are counted again",
        put=_told_twice,
        has=frozenset({"wal-lost"}),
        within=40,
    ),
    "word-not-given": Wrong(
        says="the server forgets that a word was given when it settles a gap itself",
        put=_word_not_given,
        has=frozenset({"word-in-silence", "word-in-pause", "word-in-replay"}),
        within=20,
    ),
    "again-for-ever": Wrong(
        says="what was printed once more is still asked for once more",
        put=_again_for_ever,
        has=frozenset({"again", "replay-again", "shift-again"}),
        within=20,
    ),
    "not-concluded": Wrong(says="a segment that is accounted for stays open", put=_not_concluded),
    "work-from-the-beginning": Wrong(
        says="the server does not say from where on a run is to be printed",
        put=_first_hour_forgotten,
        has=frozenset({"journal-damaged"}),
        within=40,
    ),
    "octets-not-synced": Wrong(
        says="a plate has its name on the board's card before its octets are there",
        put=_octets_not_synced,
        has=frozenset({"loses"}),
        more=True,
        within=20,
    ),
    "name-not-synced": Wrong(
        says="a plate is told to be on the board's card before its name is there",
        put=lambda: patch.object(plates, "_sync_folder", _nothing),
        has=frozenset({"loses"}),
        more=True,
        within=20,
    ),
    "names-not-synced": Wrong(
        says="a plate is told to be on the server's disk before its name is there",
        put=_names_not_synced,
        has=frozenset({"loses"}),
        more=True,
        within=20,
    ),
    "commits-not-synced": Wrong(
        says="what the board's journal commits is not on the card at once",
        put=_commits_not_synced,
        has=frozenset({"loses"}),
        more=True,
        within=20,
    ),
}
