"""Who is let in at the panel, and who is not."""

from __future__ import annotations

import sqlite3
from dataclasses import replace
from pathlib import Path

import pytest

from machines.chance import SYSTEM
from machines.errors import InputError
from machines.node.panel.pin import (
    FORGOTTEN_S,
    FREE_GUESSES,
    LOCKED_S,
    LONGEST_LOCKED_S,
    MOST_SESSIONS,
    SESSION_S,
    Guard,
    LockedOut,
    hashed,
    new_pin,
)
from machines.node.store import identity
from machines.node.store.journal import Journal, open_journal
from tests.machines.node.rig import HandClock

PIN = "271828"


@pytest.fixture
def journal(tmp_path: Path) -> Journal:
    journal = open_journal(tmp_path, create=True)
    with journal.transaction() as db:
        identity.keep_pin(db, hashed(PIN, SYSTEM))
    return journal


@pytest.fixture
def clock() -> HandClock:
    return HandClock()


def guess_wrongly(guard: Guard, times: int) -> None:
    for _ in range(times):
        assert guard.enter("000000") is None


def test_the_pin_is_not_kept_and_no_two_hashes_are_alike(journal: Journal) -> None:
    with journal.reading() as db:
        bodies = [body for (body,) in db.execute("SELECT body FROM document").fetchall()]
    assert not any(PIN in body for body in bodies)
    assert hashed(PIN, SYSTEM).hash != hashed(PIN, SYSTEM).hash


def test_the_right_one_opens_and_a_wrong_one_does_not(journal: Journal, clock: HandClock) -> None:
    guard = Guard(journal, clock, SYSTEM)
    assert guard.enter("314159") is None
    name = guard.enter(PIN)
    assert name is not None
    assert guard.session(name) is not None
    assert guard.session(name + "x") is None
    guard.leave(name)
    assert guard.session(name) is None


def test_a_session_ends_when_nobody_uses_it(journal: Journal, clock: HandClock) -> None:
    guard = Guard(journal, clock, SYSTEM)
    name = guard.enter(PIN)
    assert name is not None
    for _ in range(3):
        clock.at += SESSION_S
        assert guard.session(name) is not None
    clock.at += SESSION_S + 1
    assert guard.session(name) is None


def test_however_busy_a_session_ends_after_half_a_day(journal: Journal, clock: HandClock) -> None:
    guard = Guard(journal, clock, SYSTEM)
    name = guard.enter(PIN)
    assert name is not None
    for _ in range(72):
        clock.at += 600.0
        assert guard.session(name) is not None
    clock.at += 1.0
    assert guard.session(name) is None


def test_another_pin_puts_everybody_out(journal: Journal, clock: HandClock) -> None:
    guard = Guard(journal, clock, SYSTEM)
    name = guard.enter(PIN)
    assert name is not None
    assert guard.session(name) is not None
    with journal.transaction() as db:
        identity.keep_pin(db, hashed("161803", SYSTEM))
    assert guard.session(name) is None
    assert guard.enter(PIN) is None
    assert guard.enter("161803") is not None


def test_who_guesses_is_locked_out_longer_and_longer(journal: Journal, clock: HandClock) -> None:
    guard = Guard(journal, clock, SYSTEM)
    guess_wrongly(guard, FREE_GUESSES)
    for locked_s in (LOCKED_S, 2 * LOCKED_S, 4 * LOCKED_S):
        with pytest.raises(LockedOut) as out:
            guard.enter(PIN)
        assert out.value.wait_s == pytest.approx(locked_s)
        clock.at += locked_s + 1
        guess_wrongly(guard, 1)
    with pytest.raises(LockedOut):
        guard.enter(PIN)
    clock.at += LONGEST_LOCKED_S
    assert guard.enter(PIN) is not None
    guess_wrongly(guard, FREE_GUESSES - 1)
    assert guard.enter(PIN) is not None, "the right one clears the count"


def test_nobodys_guesses_keep_out_another_address(journal: Journal, clock: HandClock) -> None:
    guard = Guard(journal, clock, SYSTEM)
    for _ in range(FREE_GUESSES):
        assert guard.enter("000000", "192.0.2.7") is None
    with pytest.raises(LockedOut):
        guard.enter(PIN, "192.0.2.7")
    assert guard.enter(PIN, "192.0.2.8") is not None
    with pytest.raises(LockedOut):
        guard.enter(PIN, "192.0.2.7")


def guessed(journal: Journal, failures: int) -> None:
    """So often, from anywhere."""
    with journal.transaction() as db:
        known = identity.pin(db)
        assert known is not None
        identity.keep_pin(db, replace(known, failures=failures))


def test_after_fifty_guesses_from_anywhere_only_a_known_browser_may_try(journal: Journal, clock: HandClock) -> None:
    guard = Guard(journal, clock, SYSTEM)
    assert guard.enter(PIN, "192.0.2.1") is not None
    told = guard.introduced()
    guessed(journal, 49)
    assert guard.enter("000000", "192.0.2.99") is None
    with pytest.raises(LockedOut) as out:
        guard.enter(PIN, "192.0.2.2")
    assert out.value.wait_s == pytest.approx(LOCKED_S)
    for forged in ("", "x", told[:-1], "x" + told, told.partition(".")[2], "ü.ü"):
        with pytest.raises(LockedOut):
            guard.enter(PIN, "192.0.2.2", forged)
    assert guard.enter(PIN, "192.0.2.2", told) is not None
    with pytest.raises(LockedOut):
        guard.enter(PIN, "192.0.2.2")


def guess_from_everywhere(guard: Guard, clock: HandClock, hours: int, *, told: str) -> int:
    """How many wrong PINs are tried in so many hours from addresses that are all new, while staff come in each hour
    from a browser that is known and from one that is not."""
    tried, until = 0, clock.at + 3600.0 * hours
    while clock.at < until:
        try:
            assert guard.enter("000000", f"2001:db8::{tried:x}") is None
            tried += 1
        except LockedOut as out:
            clock.at += out.wait_s + 1.0
        assert guard.enter(PIN, "192.0.2.1", told) is not None
    return tried


def test_whoever_has_many_addresses_has_fifty_guesses_and_then_one_an_hour(
    journal: Journal, clock: HandClock, monkeypatch: pytest.MonkeyPatch
) -> None:
    with journal.reading() as db:
        known = identity.pin(db)
    assert known is not None
    right = known.hash
    monkeypatch.setattr("machines.node.panel.pin.hash_of", lambda pin, salt: right if pin == PIN else "")
    guard = Guard(journal, clock, SYSTEM)
    assert guard.enter(PIN, "192.0.2.1") is not None
    told = guard.introduced()
    assert guess_from_everywhere(guard, clock, 1, told=told) == 55
    assert guess_from_everywhere(guard, clock, 23, told=told) <= 24
    assert guess_from_everywhere(guard, clock, 240, told=told) <= 241


def test_a_guess_is_forgotten_each_hour_and_a_new_phone_is_let_in_again(journal: Journal, clock: HandClock) -> None:
    guard = Guard(journal, clock, SYSTEM)
    guessed(journal, 60)
    with pytest.raises(LockedOut):
        guard.enter(PIN, "192.0.2.1")
    clock.at += LONGEST_LOCKED_S
    assert guard.enter(PIN, "192.0.2.1") is not None
    assert kept(journal) == 59
    clock.at += 20 * FORGOTTEN_S
    assert guard.enter(PIN, "192.0.2.2") is not None
    assert kept(journal) == 39, "and a power cut does not bring them back"
    assert guard.enter("000000", "192.0.2.3") is None
    assert kept(journal) == 40


def kept(journal: Journal) -> int:
    """Guesses in all, as a restart finds them."""
    with journal.reading() as db:
        known = identity.pin(db)
    assert known is not None
    return known.failures


def test_a_card_that_cannot_be_written_gives_no_more_guesses_and_keeps_nobody_out(
    journal: Journal, clock: HandClock
) -> None:
    guard = Guard(journal, clock, SYSTEM)
    guessed(journal, 48)
    with journal.reading() as db:
        db.execute("PRAGMA query_only = 1")
    assert guard.enter(PIN, "192.0.2.1") is not None
    told = guard.introduced()
    for number in range(2):
        with pytest.raises(sqlite3.OperationalError):
            guard.enter("000000", f"192.0.2.{number}")
    with pytest.raises(LockedOut):
        guard.enter("000000", "192.0.2.99")
    for _ in range(FREE_GUESSES):
        with pytest.raises(sqlite3.OperationalError):
            guard.enter("000000", "192.0.2.1", told)
    with pytest.raises(LockedOut):
        guard.enter(PIN, "192.0.2.1", told)
    clock.at += 3 * FORGOTTEN_S
    assert guard.enter(PIN, "192.0.2.1", told) is not None, "though fewer guesses could not be noted either"
    with journal.reading() as db:
        db.execute("PRAGMA query_only = 0")
    assert kept(journal) == 48
    assert guard.enter("000000", "192.0.2.2") is None
    assert kept(journal) == 53, "of 55, three hours later, and this one"


def test_a_pin_that_is_set_while_another_is_tried_stays(
    journal: Journal, clock: HandClock, monkeypatch: pytest.MonkeyPatch
) -> None:
    other = hashed("161803", SYSTEM)

    def meanwhile(pin: str, salt: bytes) -> str:
        with journal.transaction() as db:
            identity.keep_pin(db, other)
        return ""

    monkeypatch.setattr("machines.node.panel.pin.hash_of", meanwhile)
    assert Guard(journal, clock, SYSTEM).enter("000000") is None
    with journal.reading() as db:
        assert identity.pin(db) == other


def test_a_known_browser_has_no_more_guesses_than_an_address(journal: Journal, clock: HandClock) -> None:
    guard = Guard(journal, clock, SYSTEM)
    assert guard.enter(PIN) is not None
    told = guard.introduced()
    for number in range(FREE_GUESSES):
        assert guard.enter("000000", f"192.0.2.{number}", told) is None
    with pytest.raises(LockedOut):
        guard.enter(PIN, "192.0.2.99", told)


def test_another_pin_makes_every_browser_a_stranger(journal: Journal, clock: HandClock) -> None:
    guard = Guard(journal, clock, SYSTEM)
    told = guard.introduced()
    with journal.transaction() as db:
        identity.keep_pin(db, replace(hashed("161803", SYSTEM), failures=50))
    with pytest.raises(LockedOut):
        guard.enter("161803", "", told)
    with pytest.raises(LockedOut):
        guard.enter("161803", "", guard.introduced()[1:])


def test_counts_of_addresses_fill_no_memory(
    journal: Journal, clock: HandClock, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr("machines.node.panel.pin.hash_of", lambda pin, salt: "")
    monkeypatch.setattr("machines.node.panel.pin.FREE_IN_ALL", 10_000)
    guard = Guard(journal, clock, SYSTEM)
    for number in range(600):
        assert guard.enter("000000", str(number)) is None
    assert len(guard.tallies) == 500


def test_pulling_the_plug_gives_no_new_guesses(journal: Journal, clock: HandClock) -> None:
    guessed(journal, 50)
    Guard(journal, clock, SYSTEM)
    clock.at += LOCKED_S / 2
    with pytest.raises(LockedOut):
        Guard(journal, clock, SYSTEM).enter(PIN)


def test_without_a_pin_nobody_enters(tmp_path: Path, clock: HandClock) -> None:
    guard = Guard(open_journal(tmp_path, create=True), clock, SYSTEM)
    assert guard.enter("") is None
    assert guard.enter(PIN) is None


def test_the_oldest_session_makes_room(journal: Journal, clock: HandClock, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr("machines.node.panel.pin.hash_of", lambda pin, salt: hashed_once if pin == PIN else "")
    with journal.reading() as db:
        known = identity.pin(db)
    assert known is not None
    hashed_once = known.hash
    guard, names = Guard(journal, clock, SYSTEM), []
    for _ in range(MOST_SESSIONS + 1):
        names.append(guard.enter(PIN) or "")
        clock.at += 1.0
    assert guard.session(names[0]) is None
    assert all(guard.session(name) for name in names[1:])


@pytest.mark.parametrize("pin", ["", "12345", "1234567890123", "12345a", "１２３４５６"])
def test_what_is_no_pin_is_refused(pin: str) -> None:
    with pytest.raises(InputError, match="6 to 12 digits"):
        hashed(pin, SYSTEM)


def test_made_up_pins_are_pins_and_differ() -> None:
    made = {new_pin(SYSTEM) for _ in range(50)}
    assert len(made) > 45
    for pin in made:
        assert len(pin) == 6
        assert pin.isdecimal()
