"""Mistakes made on purpose in the node's program, as somebody could make them; see `wrongs.py`."""

from __future__ import annotations

import sqlite3
from collections.abc import Callable, Iterable, Iterator
from contextlib import AbstractContextManager, ExitStack, contextmanager
from dataclasses import replace
from pathlib import Path
from typing import Any
from unittest.mock import patch

from machines.disk import make_folder, sync_folder
from machines.node.clock.server_time import ServerTime
from machines.node.device import cutter, reporting
from machines.node.manual import job
from machines.node.printing import gaps
from machines.node.store import journal, journal_versions, operator_actions, outbox
from machines.node.store.journal import change_state
from machines.node.sync import call_now
from machines.node.sync.exchange import Exchange
from machines.node.sync.failures import FencedOff
from machines.node.sync.report_errand import ReportErrand
from machines.node.work import order_log, takeover
from machines.node.work.plate_cache import PlateCache
from machines.operator import holds


def nothing(*_: Any, **__: Any) -> None:
    """Forgotten."""


def all_of(*wrongs: AbstractContextManager[object]) -> AbstractContextManager[object]:
    """Several at once."""
    stack = ExitStack()

    @contextmanager
    def entered() -> Iterator[None]:
        with stack:
            for wrong in wrongs:
                stack.enter_context(wrong)
            yield

    return entered()


def not_sent_again() -> AbstractContextManager[object]:
    return patch.object(ReportErrand, "_rewind", lambda self, expected: 0)


def left_run_forgotten() -> AbstractContextManager[object]:
    right = order_log.adopt

    def adopt(db: sqlite3.Connection, *arguments: Any, **named: Any) -> None:
        right(db, *arguments, **named)
        db.execute("DELETE FROM left_run")

    return patch.object(order_log, "adopt", adopt)


def fence_not_kept() -> AbstractContextManager[object]:
    def wrong(self: Exchange, errand: Callable[[], None]) -> None:
        try:
            errand()
        except FencedOff:
            return

    return patch.object(Exchange, "_heed_fence", wrong)


def cuts_unarmed() -> AbstractContextManager[object]:
    right = cutter.cut

    def wrong(journal: Any, seen: Any, *rest: Any, **said: Any) -> bool:
        return right(journal, replace(seen, state=replace(seen.state, knife_armed=True)), *rest, **said)

    return patch.object(cutter, "cut", wrong)


def cuts_in_quiet_hours() -> AbstractContextManager[object]:
    right = cutter.cut

    def wrong(*given: Any, quiet: bool = False) -> bool:
        return right(*given)

    return patch.object(cutter, "cut", wrong)


def armed_for_ever() -> AbstractContextManager[object]:
    right = reporting.begin

    def wrong(journal: Any, **options: Any) -> Any:
        armed = journal.state().knife_armed
        cause = right(journal, **options)
        with journal.transaction() as db:
            change_state(db, knife_armed=int(armed))
        return cause

    return patch.object(reporting, "begin", wrong)


def resumes_by_itself() -> AbstractContextManager[object]:
    right = reporting.begin

    def wrong(journal: Any, **_: Any) -> Any:
        return right(journal, resume_unattended=True)

    return patch.object(reporting, "begin", wrong)


def position_slips() -> AbstractContextManager[object]:
    right = order_log.report_printed

    def wrong(db: sqlite3.Connection, run: str) -> None:
        right(db, run)
        db.execute("UPDATE state SET paper_position = paper_position - 1")

    return patch.object(order_log, "report_printed", wrong)


def octets_not_synced() -> AbstractContextManager[object]:
    def wrong(self: PlateCache, digest: str, columns: Iterable[bytes]) -> None:
        make_folder(self.folder)
        partial = self.folder / "plate.partial"
        partial.write_bytes(b"".join(columns))
        partial.rename(self._path(digest))
        sync_folder(self.folder)

    return patch.object(PlateCache, "_write", wrong)


def commits_not_synced() -> AbstractContextManager[object]:
    right = journal.check_and_create

    def wrong(connection: sqlite3.Connection, path: Path) -> None:
        right(connection, path)
        connection.execute("PRAGMA synchronous = NORMAL")

    return patch.object(journal, "check_and_create", wrong)


def half_printed_unseen() -> AbstractContextManager[object]:
    return patch.object(gaps, "half_printed", lambda db, held, missing: None)


def pause_not_heeded() -> AbstractContextManager[object]:
    wrong = {action: then for action, then in holds.HELD_AFTER.items() if action != "pause"}
    return patch.object(operator_actions, "HELD_AFTER", wrong)  # not the server's


def orders_written_late() -> AbstractContextManager[object]:
    """Two walls down: the machine, which remembers what it laid, is not asked, either."""
    order, record = order_log.order, order_log.record

    def wrong(db: sqlite3.Connection, held: Any, laid: Any, withdrawn: Any) -> None:
        order(db, [one.burst for one in laid], laid[0].at if laid else 0.0)
        record(db, held, laid, ())

    return all_of(
        patch.object(order_log, "order", nothing),
        patch.object(order_log, "record", wrong),
        patch.object(takeover, "paper_unknown", lambda db, paper_end: 0),
    )


def step_believed() -> AbstractContextManager[object]:
    right = ServerTime.after

    def wrong(self: ServerTime, sample: Any) -> ServerTime:
        found = right(self, sample)
        return found if found.doubt is None else ServerTime(found.told)

    return patch.object(ServerTime, "after", wrong)


def sent_is_taken() -> AbstractContextManager[object]:
    """Two walls down: what is told is taken for accepted before the answer, and nothing is told again."""
    right = outbox.unaccepted

    def wrong(db: sqlite3.Connection, limit: int) -> Any:
        found = right(db, limit)
        db.execute("UPDATE entry SET accepted = 1 WHERE seq <= ?", (outbox.next_seq(db) - 1,))
        return found

    return all_of(patch.object(outbox, "unaccepted", wrong), not_sent_again())


def by_hand_forgotten() -> AbstractContextManager[object]:
    def wrong(db: sqlite3.Connection, work: job.Handwork, columns: int) -> None:
        db.execute("UPDATE handwork SET given = given + ? WHERE id = ?", (columns, work.id))

    return patch.object(job, "give", wrong)


def call_noted_nowhere() -> AbstractContextManager[object]:
    return patch.object(call_now, "ask", lambda db: db.execute("UPDATE state SET call_asked = 1"))


def newer_journal_read() -> AbstractContextManager[object]:
    return patch.object(journal_versions, "SCHEMA_VERSION", 10_000)
