"""What the log holds of the boards' journals, and what a board that is enrolled again is told of its own."""

from __future__ import annotations

from dataclasses import replace
from datetime import timedelta
from pathlib import Path

import pytest

from machines.protocol.messages import JournalPosition
from scheduling.commands.enrol_node import enrol
from scheduling.log.events.server import SilenceBegan, SilenceEnded
from scheduling.log.store import Append, append
from scheduling.nodes.journal_history import MOST_EPOCHS, entries_taken, taken_of_earlier
from scheduling.nodes.reports import take
from tests.scheduling.house import NOON, batch, by, long_after, ready, started

pytestmark = pytest.mark.django_db
LATER = NOON + timedelta(minutes=1)


def test_entries_are_found_by_their_numbers(tmp_path: Path) -> None:
    ready(tmp_path)
    entries = [started(seq) for seq in range(1, 7)]
    take("one", batch(*entries), long_after())
    assert entries_taken("one", 2, 5, 6) == {seq: started(seq) for seq in (2, 3, 4)}
    assert entries_taken("one", 1, 7, 6) == {entry.seq: entry for entry in entries}
    assert entries_taken("another", 1, 7, 6) == {}


def test_facts_of_the_server_in_between_do_not_matter(tmp_path: Path) -> None:
    ready(tmp_path)
    take("one", batch(started(1)), long_after())
    append([Append("machine/one", None, [SilenceBegan(last_heard_at=NOON), SilenceEnded(silent_s=60.0)])], by())
    take("one", batch(started(2)), long_after())
    assert set(entries_taken("one", 1, 3, 2)) == {1, 2}


def test_whoever_knows_fewer_than_were_taken_gets_no_entry_under_a_wrong_number(tmp_path: Path) -> None:
    ready(tmp_path)
    take("one", batch(*map(started, range(1, 7))), long_after())
    found = entries_taken("one", 1, 4, 4)
    assert all(entry == started(seq) for seq, entry in found.items())


def test_a_board_learns_how_much_of_each_earlier_journal_was_taken(tmp_path: Path) -> None:
    ready(tmp_path)
    assert taken_of_earlier("one") == ()
    take("one", batch(started(1), replace(started(2), at=LATER)), long_after())
    enrol("one", by())
    enrol("one", by())
    of_first = JournalPosition(epoch=1, through=2, at=LATER)
    assert taken_of_earlier("one") == (of_first,), "an epoch whose board told nothing is left out"
    take("one", batch(started(1), epoch=3), long_after())
    assert taken_of_earlier("one") == (JournalPosition(epoch=3, through=1, at=NOON), of_first)


def test_a_board_that_was_enrolled_again_and_again_in_vain_learns_what_was_taken_of_it(tmp_path: Path) -> None:
    """Each answer was lost on the way, and so the next code was used."""
    ready(tmp_path)
    take("one", batch(started(1)), long_after())
    for _ in range(3 * MOST_EPOCHS):
        enrol("one", by())
    assert taken_of_earlier("one") == (JournalPosition(epoch=1, through=1, at=NOON),)


def test_only_so_many_epochs_are_told(tmp_path: Path) -> None:
    ready(tmp_path)
    for epoch in range(1, MOST_EPOCHS + 4):
        take("one", batch(started(1), epoch=epoch), long_after())
        enrol("one", by())
    told = [taken.epoch for taken in taken_of_earlier("one")]
    assert told == [*range(MOST_EPOCHS + 3, 3, -1)]
