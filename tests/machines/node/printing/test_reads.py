"""How often the print loop reads its journal: once until something is written, and a few times for what it writes."""

from __future__ import annotations

from pathlib import Path

from machines.node.store.journal import Journal, change_state, open_journal
from machines.node.work.snapshot import take_snapshot
from tests.machines.node.rig import HandClock, Rig, make_studio

COLUMNS = 40


def reads_of(journal: Journal) -> list[str]:
    """What is read of the tables from now on."""
    read: list[str] = []
    with journal.reading() as db:
        db.set_trace_callback(lambda sql: read.append(sql) if sql.startswith("SELECT") else None)
    return read


def test_a_column_is_printed_with_few_reads(tmp_path: Path) -> None:
    """Two commits a column, each followed by one look at all that the next steps go by; the rest is read as it is
    written."""
    clock = HandClock()
    rig = Rig(tmp_path, make_studio(clock), clock)
    rig.fetch()
    rig.run_columns(5)
    before, read = len(rig.paper().laid), reads_of(rig.journal)
    rig.run_columns(COLUMNS)
    assert len(rig.paper().laid) - before == COLUMNS
    assert len(read) <= 9 * COLUMNS
    rig.stop()


def test_a_snapshot_is_read_anew_once_something_was_written(tmp_path: Path) -> None:
    journal = open_journal(tmp_path, create=True)
    read = reads_of(journal)
    assert take_snapshot(journal) == take_snapshot(journal)
    once = len(read)
    assert once == 4
    with journal.transaction() as db:
        change_state(db, next_column=7)
    assert take_snapshot(journal).state.next_column == 7
    assert len(read) == 2 * once
    beside = open_journal(tmp_path)  # another process, as a person's command is
    with beside.transaction() as db:
        change_state(db, next_column=8)
    beside.close()
    assert take_snapshot(journal).state.next_column == 8
    journal.close()


def test_what_was_undone_is_not_kept(tmp_path: Path) -> None:
    journal = open_journal(tmp_path, create=True)
    try:
        with journal.transaction() as db:
            change_state(db, next_column=7)
            assert take_snapshot(journal).state.next_column == 7
            raise KeyError
    except KeyError:
        pass
    assert take_snapshot(journal).state.next_column == 0
    journal.close()
