"""The journal: what was committed is there after any end, and nothing else is."""

from __future__ import annotations

import os
import signal
import sqlite3
import stat
import subprocess
import sys
import threading
from pathlib import Path

import pytest

from machines.errors import InputError
from machines.node.store import outbox
from machines.node.store.journal import FILE_NAME, change_state, open_journal, read_state
from machines.node.store.journal_versions import VERSIONS
from machines.protocol.journal_entries import KnifeArmed
from machines.protocol.messages import Retelling
from machines.protocol.upcasts import entry_json
from tests.machines.node.made_by import made_by
from tests.machines.protocol.test_messages import AT, ENTRIES

KILLED_WRITER = """
import os, signal, sys
from pathlib import Path
from machines.node.store.journal import change_state, open_journal
journal = open_journal(Path(sys.argv[1]), create=True)
for number in range(1, 6):
    with journal.transaction() as db:
        change_state(db, next_column=number)
with journal.transaction() as db:
    change_state(db, next_column=99)
    os.kill(os.getpid(), signal.SIGKILL)
"""


def test_a_new_journal_begins_at_nothing(tmp_path: Path) -> None:
    state = open_journal(tmp_path, create=True).state()
    assert (state.run, state.next_column, state.paper_position) == (None, 0, 0)
    assert not state.knife_armed, "the knife is armed by a person, also at first"
    assert not state.running


def test_it_is_for_its_owner_only(tmp_path: Path) -> None:
    home = tmp_path / "node"
    open_journal(home, create=True).close()
    assert stat.S_IMODE(home.stat().st_mode) == 0o700
    assert stat.S_IMODE((home / FILE_NAME).stat().st_mode) == 0o600


def test_every_commit_is_on_the_card_and_others_may_read_meanwhile(tmp_path: Path) -> None:
    journal = open_journal(tmp_path, create=True)
    with journal.reading() as db:
        assert db.execute("PRAGMA synchronous").fetchone() == (2,)
        assert db.execute("PRAGMA journal_mode").fetchone() == ("wal",)


def test_a_transaction_that_fails_leaves_nothing(tmp_path: Path) -> None:
    journal = open_journal(tmp_path, create=True)

    def half_done() -> None:
        with journal.transaction() as db:
            change_state(db, next_column=7)
            outbox.append(db, KnifeArmed(seq=outbox.next_seq(db), at=AT))
            raise KeyError

    with pytest.raises(KeyError):
        half_done()
    assert journal.state().next_column == 0
    with journal.reading() as db:
        assert outbox.unaccepted(db, 10) == ()


def test_what_sqlite_undid_itself_is_told_as_what_it_was(tmp_path: Path) -> None:
    """As on a full card: there is nothing left to be undone, and saying so would hide why."""
    journal = open_journal(tmp_path, create=True)

    def undone() -> None:
        with journal.transaction() as db:
            change_state(db, next_column=7)
            assert journal.state().next_column == 7
            db.execute("INSERT OR ROLLBACK INTO state (only) VALUES (1)")

    with pytest.raises(sqlite3.IntegrityError, match="UNIQUE"):
        undone()
    assert journal.state().next_column == 0


def test_what_cannot_be_committed_leaves_nothing_and_stands_in_nobodys_way(tmp_path: Path) -> None:
    journal = open_journal(tmp_path, create=True)
    told: list[int] = []
    journal.news.tell = lambda: told.append(1)  # type: ignore[method-assign]
    with journal.reading() as db:
        db.execute("PRAGMA foreign_keys = ON")
        db.execute("CREATE TEMP TABLE late (id INTEGER PRIMARY KEY, of REFERENCES late DEFERRABLE INITIALLY DEFERRED)")

    def refused() -> None:
        with journal.transaction() as db:
            change_state(db, next_column=7)
            assert journal.state().next_column == 7
            db.execute("INSERT INTO late (of) VALUES (5)")  # which is looked at when it is committed

    with pytest.raises(sqlite3.IntegrityError):
        refused()
    assert journal.state().next_column == 0
    assert not told
    with journal.transaction() as db:
        change_state(db, next_column=8)
    assert journal.state().next_column == 8
    assert told


def test_a_kill_in_a_transaction_leaves_what_was_committed_before(tmp_path: Path) -> None:
    ended = subprocess.run([sys.executable, "-c", KILLED_WRITER, str(tmp_path)], env={**os.environ}, check=False)
    assert ended.returncode == -signal.SIGKILL
    assert open_journal(tmp_path).state().next_column == 5


def test_two_threads_never_see_each_others_half_done_work(tmp_path: Path) -> None:
    journal = open_journal(tmp_path, create=True)
    torn: list[int] = []
    done = threading.Event()

    def look() -> None:
        while not done.is_set():
            state = journal.state()
            if state.next_column != state.paper_position:
                torn.append(state.next_column)

    reader = threading.Thread(target=look)
    reader.start()
    for number in range(100):
        with journal.transaction() as db:
            change_state(db, next_column=number)
            change_state(db, paper_position=number)
    done.set()
    reader.join()
    assert not torn


def test_another_process_may_leave_word(tmp_path: Path) -> None:
    agent, person = open_journal(tmp_path, create=True), open_journal(tmp_path)
    with person.transaction() as db:
        change_state(db, arming_asked=1)
    assert agent.state().arming_asked


def test_without_a_journal_it_says_how_to_get_one(tmp_path: Path) -> None:
    with pytest.raises(InputError, match="enrol"):
        open_journal(tmp_path / "nowhere")
    assert not (tmp_path / "nowhere").exists()


@pytest.mark.parametrize("content", [b"not a database, but long enough to be taken for the head of one" * 40])
def test_a_damaged_journal_is_not_used(tmp_path: Path, content: bytes) -> None:
    (tmp_path / FILE_NAME).write_bytes(content)
    with pytest.raises(InputError, match="cannot be used"):
        open_journal(tmp_path)


def test_a_journal_with_pages_overwritten_is_not_used(tmp_path: Path) -> None:
    journal = open_journal(tmp_path, create=True)
    with journal.transaction() as db:
        for _ in range(200):
            outbox.append(db, KnifeArmed(seq=outbox.next_seq(db), at=AT))
    journal.close()
    path = tmp_path / FILE_NAME
    content = bytearray(path.read_bytes())
    content[4096:] = b"\xa5" * (len(content) - 4096)
    path.write_bytes(bytes(content))
    with pytest.raises(InputError, match="cannot be used"):
        open_journal(tmp_path)


def test_a_journal_of_a_later_version_is_left_alone(tmp_path: Path) -> None:
    open_journal(tmp_path, create=True).close()
    with sqlite3.connect(tmp_path / FILE_NAME) as db:
        db.execute("PRAGMA user_version = 99")
    db.close()
    with pytest.raises(InputError, match="later version") as refused:
        open_journal(tmp_path)
    beside = [path.name for path in tmp_path.iterdir()]
    assert beside == [FILE_NAME], f"nobody holds it open after {refused.value}, so all of it is in the file"


def test_a_journal_of_an_earlier_version_is_brought_up_step_by_step(tmp_path: Path) -> None:
    for version in VERSIONS:
        home = tmp_path / str(version)
        home.mkdir()
        with sqlite3.connect(home / FILE_NAME) as db:
            db.executescript(f"{made_by(version)} UPDATE state SET next_column = 42;")
        db.close()
        journal = open_journal(home)
        state = journal.state()
        journal.close()
        assert (state.next_column, state.taking_over, state.perhaps_end) == (42, False, None)


def test_the_state_is_one_row(tmp_path: Path) -> None:
    journal = open_journal(tmp_path, create=True)
    with journal.transaction() as db, pytest.raises(sqlite3.IntegrityError):
        db.execute("INSERT INTO state (only) VALUES (2)")


TOLD = tuple(entry_json(entry) for entry in ENTRIES)


def test_the_state_is_read_anew_once_somebody_wrote_and_only_then(tmp_path: Path) -> None:
    journal, other = open_journal(tmp_path, create=True), open_journal(tmp_path)
    before = journal.state()
    assert journal.state() is before, "nothing was written: it need not be read again"
    with other.transaction() as db:
        change_state(db, arming_asked=1)
    assert journal.state().arming_asked, "another connection wrote"
    with journal.transaction() as db:
        change_state(db, next_column=7)
        assert journal.state().next_column == 7, "within a transaction, as it stands there"
    with pytest.raises(KeyError), journal.transaction() as db:
        change_state(db, next_column=8)
        assert journal.state().next_column == 8
        raise KeyError
    assert journal.state().next_column == 7, "what was read of a transaction that failed is forgotten"
    glanced = journal.glance()
    assert glanced is not None
    assert glanced.next_column == 7
    other.close()
    journal.close()


def test_entries_are_numbered_without_holes_and_kept_in_order(tmp_path: Path) -> None:
    journal = open_journal(tmp_path, create=True)
    with journal.transaction() as db:
        for entry in ENTRIES:
            assert outbox.next_seq(db) == entry.seq
            outbox.append(db, entry)
        assert outbox.unaccepted(db, 100) == TOLD
        assert outbox.unaccepted(db, 2) == TOLD[:2]
        outbox.accept(db, 3)
        assert outbox.unaccepted(db, 2) == TOLD[3:5]
        assert outbox.count_unaccepted(db) == len(ENTRIES) - 3
        outbox.accept(db, 0)
        assert outbox.count_unaccepted(db) == len(ENTRIES) - 3


def test_a_server_that_lost_entries_gets_them_again(tmp_path: Path) -> None:
    journal = open_journal(tmp_path, create=True)
    with journal.transaction() as db:
        for entry in ENTRIES:
            outbox.append(db, entry)
        outbox.accept(db, len(ENTRIES))
        outbox.rewind(db, 5)
        assert outbox.unaccepted(db, 100) == TOLD[4:]


def test_a_server_that_loses_them_once_more_on_the_way_is_told_all_of_them_again(tmp_path: Path) -> None:
    journal = open_journal(tmp_path, create=True)
    last = len(ENTRIES)
    with journal.transaction() as db:
        for entry in ENTRIES:
            outbox.append(db, entry)
        outbox.accept(db, last)
        outbox.rewind(db, 4)
        outbox.accept(db, 6)
        outbox.rewind(db, 2)
        assert outbox.retelling(db) == Retelling(first=2, through=last)
        outbox.accept(db, last)
        assert outbox.retelling(db) is None


def test_what_is_being_told_again_is_so_in_a_new_epoch_too(tmp_path: Path) -> None:
    """A server that was put back, and whose boards are then enrolled again."""
    journal = open_journal(tmp_path, create=True)
    last = len(ENTRIES)
    with journal.transaction() as db:
        for entry in ENTRIES:
            outbox.append(db, entry)
        outbox.accept(db, last - 1)
        outbox.rewind(db, 4)
        outbox.renumber(db, 1, (1, 3))
        assert outbox.retelling(db) == Retelling(first=1, through=last - 4)
        assert len(outbox.unaccepted(db, 100)) == last - 3, "one was told nobody so far"


def test_a_new_epoch_begins_at_one_with_what_was_not_accepted(tmp_path: Path) -> None:
    journal = open_journal(tmp_path, create=True)
    with journal.transaction() as db:
        for entry in ENTRIES:
            outbox.append(db, entry)
        outbox.accept(db, 4)
        outbox.renumber(db, 1, None)
        rest = outbox.unaccepted(db, 100)
        assert rest == tuple(told | {"seq": seq} for seq, told in enumerate(TOLD[4:], 1))
        assert outbox.next_seq(db) == len(ENTRIES) - 3


def test_a_glance_does_not_wait_for_another_threads_transaction(tmp_path: Path) -> None:
    journal = open_journal(tmp_path, create=True)
    assert journal.glance() == journal.state()
    found = []
    with journal.transaction():
        glancing = threading.Thread(target=lambda: found.append(journal.glance()))
        glancing.start()
        glancing.join()
    assert found == [None]


def test_the_state_reads_as_it_was_written(tmp_path: Path) -> None:
    journal = open_journal(tmp_path, create=True)
    with journal.transaction() as db:
        change_state(
            db, run="r", next_column=-3, catching_up=1, conditions="media-low-warning other-error", fenced="why"
        )
        state = read_state(db)
    assert (state.run, state.next_column, state.catching_up, state.fenced) == ("r", -3, True, "why")
    assert state.conditions == ("media-low-warning", "other-error")


def test_a_journal_that_is_in_use_is_not_said_to_be_damaged(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """Another program holds all of it, as a backup may: whoever moved it away would lose the board's memory."""
    monkeypatch.setattr("machines.node.store.journal.BUSY_LIMIT_S", 0.05)
    open_journal(tmp_path, create=True).close()
    other = sqlite3.connect(tmp_path / FILE_NAME, isolation_level=None)
    other.execute("PRAGMA locking_mode = EXCLUSIVE")
    other.execute("BEGIN IMMEDIATE")
    other.execute("UPDATE state SET next_column = 1")
    with pytest.raises(InputError, match="leave the folder as it is"):
        open_journal(tmp_path)
    other.execute("COMMIT")
    other.close()
    journal = open_journal(tmp_path)
    assert journal.state().next_column == 1
    journal.close()


def test_a_journal_on_a_card_that_cannot_be_written_is_not_said_to_be_damaged(tmp_path: Path) -> None:
    """Whoever enrolled the board again then would lose its memory, which is all there once the card can be written."""
    journal = open_journal(tmp_path, create=True)
    with journal.transaction() as db:
        change_state(db, next_column=5)
    journal.close()
    (tmp_path / (FILE_NAME + "-wal")).mkdir()  # as where no file can be made any more
    with pytest.raises(sqlite3.OperationalError, match="unable to open"):
        open_journal(tmp_path)
    (tmp_path / (FILE_NAME + "-wal")).rmdir()
    journal = open_journal(tmp_path)
    assert journal.state().next_column == 5
    journal.close()
