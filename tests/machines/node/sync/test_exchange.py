"""The exchange with the server, over real HTTP, pass by pass."""

from __future__ import annotations

import json
import shutil
from collections.abc import Iterator
from contextlib import closing
from dataclasses import replace
from datetime import timedelta
from itertools import pairwise
from pathlib import Path
from typing import Any

import pytest

from machines.chance import SYSTEM, Chance
from machines.node.store import outbox
from machines.node.store.journal import Journal, open_journal
from machines.node.sync import call_now
from machines.node.sync.client import Client
from machines.node.sync.exchange import Exchange
from machines.node.sync.failures import EntriesMissing, TooLarge, Unreachable
from machines.node.sync.timekeeper import Timekeeper
from machines.node.waiting.inquiry import WorkInquiry
from machines.node.work import held_work as holding
from machines.node.work.plate_cache import PlateCache
from machines.protocol.journal_entries import KnifeArmed
from machines.protocol.messages import Reports, Retelling, Work
from tests.machines.node import hostile
from tests.machines.node.relay import TOKEN, Studio, picture, serving
from tests.machines.node.rig import NOON, HandClock, make_studio
from tests.machines.node.scripted import Answer, scripted
from tests.machines.node.waiting.test_news import MovesTheClock
from tests.machines.protocol.test_messages import AT


@pytest.fixture
def studio() -> Studio:
    return make_studio(HandClock(NOON + 5000.0))


@pytest.fixture
def journal(tmp_path: Path) -> Journal:
    return open_journal(tmp_path, create=True)


@pytest.fixture
def clock() -> HandClock:
    """The board's: it believes that it is 1970."""
    return HandClock(at=0.0)


@pytest.fixture
def exchange(studio: Studio, journal: Journal, clock: HandClock, tmp_path: Path) -> Iterator[Exchange]:
    with serving(studio) as url:
        client = Client(url, TOKEN)
        yield Exchange(
            journal=journal,
            clock=clock,
            time=Timekeeper(clock, journal, "boot"),
            plates=PlateCache(tmp_path / "plates"),
            client=client,
            epoch=1,
            horizon="PT168H",
            inquiry=WorkInquiry(clock.elapsed),
            chance=SYSTEM,
        )
        client.close()


def add_entries(journal: Journal, count: int) -> None:
    with journal.transaction() as db:
        for _ in range(count):
            outbox.append(db, KnifeArmed(seq=outbox.next_seq(db), at=AT))


def unaccepted(journal: Journal) -> int:
    with journal.reading() as db:
        return outbox.count_unaccepted(db)


def test_a_pass_brings_time_work_and_plates_and_takes_the_reports(
    exchange: Exchange, studio: Studio, journal: Journal
) -> None:
    add_entries(journal, 3)
    assert exchange.run_once() == studio.poll_after_s
    estimate = exchange.time.estimate()
    assert estimate is not None
    assert estimate.now == pytest.approx(studio.clock.now())
    with journal.reading() as db:
        held = holding.held(db)
    assert held is not None
    assert held.segments == studio.work().segments
    assert exchange.plates.has(studio.plate.digest)
    assert [entry.seq for entry in studio.entries] == [1, 2, 3]
    assert unaccepted(journal) == 0


def test_at_first_the_time_is_asked_as_often_as_it_is_looked_at(exchange: Exchange) -> None:
    exchange.run_once()
    assert exchange.time.server_time.sampled


def test_the_status_tells_how_it_is(exchange: Exchange, studio: Studio) -> None:
    exchange.run_once()
    exchange.run_once()  # reports go first, and so before there is work
    status = studio.statuses[-1]
    assert status.at.timestamp() == pytest.approx(studio.clock.now())
    assert (status.next_column, status.paper_position, status.knife_armed) == (None, 0, False)
    assert status.held_until == studio.segments()[-1].knots[-1]
    assert status.clock_error_s == pytest.approx(0.0, abs=0.03)


def test_work_that_is_the_same_is_not_fetched_again(exchange: Exchange, journal: Journal) -> None:
    exchange.run_once()
    version = journal.state().work_version
    exchange.run_once()
    assert journal.state().work_version == version


def test_a_long_silence_is_reported_in_batches_in_order(
    exchange: Exchange, studio: Studio, journal: Journal, monkeypatch: pytest.MonkeyPatch
) -> None:
    exchange.reports.batch = 4
    add_entries(journal, 10)
    exchange.run_once()
    assert [entry.seq for entry in studio.entries] == list(range(1, 11))
    assert unaccepted(journal) == 0
    assert len(studio.statuses) == 3


def test_a_batch_whose_answer_was_lost_is_sent_again_and_taken_once(
    exchange: Exchange, studio: Studio, journal: Journal, monkeypatch: pytest.MonkeyPatch
) -> None:
    add_entries(journal, 3)
    report = exchange.client.report

    def lose_the_answer(reports: dict[str, Any]) -> int:
        report(reports)
        raise Unreachable("lost")

    monkeypatch.setattr(exchange.client, "report", lose_the_answer)
    exchange.run_once()
    assert unaccepted(journal) == 3
    monkeypatch.undo()
    exchange.run_once()
    assert unaccepted(journal) == 0
    assert [entry.seq for entry in studio.entries] == [1, 2, 3]


def test_a_batch_too_large_is_halved_until_it_fits(
    exchange: Exchange, studio: Studio, journal: Journal, monkeypatch: pytest.MonkeyPatch
) -> None:
    add_entries(journal, 7)
    report = exchange.client.report

    def take_two(reports: dict[str, Any]) -> int:
        if len(reports["entries"]) > 2:
            raise TooLarge(413, "about:blank", "too large", None)
        return report(reports)

    monkeypatch.setattr(exchange.client, "report", take_two)
    exchange.run_once()
    assert unaccepted(journal) == 0
    assert len(studio.entries) == 7


def test_a_server_that_lost_entries_gets_them_again(
    exchange: Exchange, studio: Studio, journal: Journal, monkeypatch: pytest.MonkeyPatch
) -> None:
    add_entries(journal, 5)
    exchange.run_once()
    del studio.entries[2:]
    add_entries(journal, 1)
    report = exchange.client.report

    def as_the_server_does(reports: dict[str, Any]) -> int:
        expected = len(studio.entries) + 1
        if reports["entries"] and reports["entries"][0]["seq"] > expected:
            refusal = EntriesMissing(409, "/api/v1/problems/missing-entries", "missing", None)
            refusal.expected = expected
            raise refusal
        return report(reports)

    monkeypatch.setattr(exchange.client, "report", as_the_server_does)
    exchange.run_once()
    exchange.run_once()
    assert [entry.seq for entry in studio.entries] == list(range(1, 7))
    assert unaccepted(journal) == 0


def test_a_server_put_back_is_told_again_though_there_is_nothing_new_and_before_it_is_asked_for_work(
    exchange: Exchange, studio: Studio, journal: Journal
) -> None:
    add_entries(journal, 5)
    exchange.run_once()
    del studio.entries[2:]
    heard_before_work = []
    work = studio.work

    def note() -> Work:
        heard_before_work.append(len(studio.entries))
        return work()

    studio.work = note  # type: ignore[method-assign]
    exchange.run_once()
    assert [entry.seq for entry in studio.entries] == [1, 2, 3, 4, 5]
    assert unaccepted(journal) == 0
    assert heard_before_work == [5]


def test_it_says_which_entries_it_tells_again_until_the_server_has_them(
    exchange: Exchange, studio: Studio, journal: Journal, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(exchange.reports, "batch", 2)
    add_entries(journal, 5)
    exchange.run_once()
    del studio.entries[1:]
    studio.again.clear()
    exchange.run_once()
    again = Retelling(first=2, through=5)
    assert studio.again == [None, again, again, None]
    assert [entry.seq for entry in studio.entries] == [1, 2, 3, 4, 5]


@pytest.mark.parametrize("said", [True, 10**30, -1, 1.0])
def test_a_number_that_no_journal_can_have_fences_nobody_off(said: object) -> None:
    body = json.dumps({"accepted_through": said}).encode()
    with scripted(Answer(200, body, {})) as url, closing(Client(url, TOKEN)) as client, pytest.raises(Unreachable):
        client.report(Reports(epoch=1, entries=()).as_json())


def test_while_the_server_is_down_it_waits_as_it_was_asked_to_and_says_so_once(
    exchange: Exchange, studio: Studio, caplog: pytest.LogCaptureFixture
) -> None:
    studio.down = True
    waits = [exchange.run_once() for _ in range(12)]
    assert all(wait_s >= 30.0 for wait_s in waits), "Retry-After: 30"
    assert max(waits) <= 300.0
    assert waits[-1] >= 150.0
    assert len([record for record in caplog.records if "down" in record.message]) == 1
    studio.down = False
    assert exchange.run_once() == studio.poll_after_s


def test_a_pass_that_the_print_loop_waits_for_comes_at_once_though_the_last_came_to_nothing(
    exchange: Exchange, studio: Studio, clock: HandClock
) -> None:
    """A person's word may lie there, and the server be back since."""
    looks = 0
    studio.down = True

    def heard() -> bool:
        """Asked before the first pass, then while the next is waited for."""
        nonlocal looks
        looks += 1
        studio.down = looks == 1
        return looks > 1 and not exchange.inquiry.is_awaited()

    exchange.run(heard)
    assert looks < 9
    assert clock.now() == 0.0, "it waited for nothing, though it was asked to leave the server alone for 30 s"


def refuse_writes(journal: Journal, refuses: bool) -> None:
    """As a full card does."""
    with journal.reading() as db:
        db.execute(f"PRAGMA query_only = {int(refuses)}")


def test_a_server_that_is_too_busy_to_tell_the_time_is_asked_nothing_more_in_a_pass(
    exchange: Exchange, studio: Studio
) -> None:
    asked: list[str] = []
    studio.instead = asked.append
    studio.down = True
    exchange.run_once()
    assert len(asked) == 1 and "/node/clock" in asked[0]


def fail(exchange: Exchange, studio: Studio, passes: int) -> list[float]:
    """How long it waits after each of so many passes to a server that does not answer as it should."""

    def instead(path: str) -> list[bytes]:
        return [hostile.problem("500 Internal Server Error", "about:blank")]

    studio.instead = instead
    return [exchange.run_once() for _ in range(passes)]


def test_a_board_that_has_what_it_needs_asks_a_failing_server_no_more_often_than_a_well_one(
    exchange: Exchange, studio: Studio
) -> None:
    studio.poll_after_s = 60.0
    exchange.run_once()
    once, twice, *more = fail(exchange, studio, 5)
    assert 0.5 <= once <= 1.0
    assert 60.0 <= twice <= 120.0 <= more[0] <= 240.0
    assert all(150.0 <= wait_s <= 300.0 for wait_s in more[1:])


@pytest.mark.parametrize("lacks", ["work", "a plate", "a person's word"])
def test_a_board_that_cannot_print_without_the_server_asks_again_soon(
    exchange: Exchange, studio: Studio, lacks: str
) -> None:
    studio.poll_after_s = 60.0
    if lacks != "work":
        exchange.run_once()
    if lacks == "a plate":
        exchange.plates.prune(set())
    if lacks == "a person's word":
        assert exchange.inquiry.is_awaited()
    waits = fail(exchange, studio, 4)
    assert all(wait_s <= 2.0**number for number, wait_s in enumerate(waits))


@pytest.mark.parametrize(("knows", "least_s"), [(True, 12.0), (False, 0.0)])
def test_a_board_that_is_started_with_all_it_needs_calls_at_a_share_of_its_pace(
    exchange: Exchange, studio: Studio, clock: HandClock, journal: Journal, knows: bool, least_s: float
) -> None:
    studio.poll_after_s = 48.0
    if knows:
        exchange.run_once()
    asked_s: list[float] = []
    journal.news = MovesTheClock(clock)
    studio.instead = lambda path: asked_s.append(clock.elapsed())
    exchange.chance = Chance(lambda count: bytes([64, *[0] * (count - 1)]))
    began_s = clock.elapsed()
    exchange.run(lambda: bool(asked_s))
    assert asked_s[0] - began_s == pytest.approx(least_s)


@pytest.mark.parametrize("is_down", [True, False])
def test_a_call_that_cannot_be_taken_down_hastens_one_pass_and_the_next_once_there_is_room(
    exchange: Exchange, studio: Studio, journal: Journal, clock: HandClock, is_down: bool
) -> None:
    exchange.run_once()
    journal.news = MovesTheClock(clock)
    began_s: list[float] = []

    def note(path: str) -> None:
        if (
            "/node/clock" if studio.down else "/node/work"
        ) in path:  # after the first, one that is busy is not asked more
            began_s.append(clock.elapsed())
            studio.down = is_down

    def goes_on() -> bool:
        """Asked before each pass and while it is waited for."""
        if len(began_s) == 1 and not call_now.is_asked(journal.connection):
            with journal.transaction() as db:
                call_now.ask(db)
            refuse_writes(journal, True)
        if len(began_s) == 4:
            refuse_writes(journal, False)
        return len(began_s) == 6

    studio.instead = note
    exchange.run(goes_on)
    waited_s = [after - before for before, after in pairwise(began_s)]
    assert waited_s[0] == waited_s[3] == 0.0, "as it was written, and as there is room"
    assert min(waited_s[1], waited_s[2], waited_s[4]) >= 0.5, "the least backoff"
    with journal.reading() as db:
        assert not call_now.is_asked(db)


def test_what_was_held_is_held_on_while_the_server_is_down(
    exchange: Exchange, studio: Studio, journal: Journal
) -> None:
    exchange.run_once()
    studio.down = True
    exchange.run_once()
    with journal.reading() as db:
        held = holding.held(db)
    assert held is not None
    assert len(held.segments) == 48


def test_a_plate_that_cannot_be_had_does_not_keep_the_reports_back(
    exchange: Exchange, studio: Studio, journal: Journal
) -> None:
    naming(studio, "f" * 64)
    add_entries(journal, 2)
    exchange.run_once()
    assert unaccepted(journal) == 0


def test_a_plate_of_another_machine_is_not_kept(
    exchange: Exchange, studio: Studio, caplog: pytest.LogCaptureFixture
) -> None:
    from tests.machines.node.relay import line_profile

    studio.plate = picture(line_profile(dots_across=48))
    exchange.run_once()
    assert not exchange.plates.has(studio.plate.digest)
    assert "a plate of (48, 720) dots" in caplog.text


def test_a_plate_of_other_dots_is_not_kept(
    exchange: Exchange, studio: Studio, caplog: pytest.LogCaptureFixture
) -> None:
    png = picture(studio.profile, seed=2).to_png()
    exchange.client.plate = lambda digest, longest: iter([png])  # type: ignore[method-assign]
    exchange.run_once()
    assert not exchange.plates.has(studio.plate.digest)
    assert "other dots" in caplog.text


def test_plates_that_are_needed_no_more_go_when_new_ones_come(exchange: Exchange, studio: Studio) -> None:
    exchange.run_once()
    old, studio.plate = studio.plate, picture(studio.profile, seed=2)
    exchange.run_once()
    assert exchange.plates.has(studio.plate.digest)
    assert not exchange.plates.has(old.digest)


def test_a_card_that_is_nearly_full_has_room_once_the_plates_of_before_are_gone(
    exchange: Exchange, studio: Studio, monkeypatch: pytest.MonkeyPatch
) -> None:
    exchange.run_once()
    old, studio.plate = studio.plate, picture(studio.profile, seed=2)
    usage = shutil.disk_usage(exchange.plates.folder)

    def as_far_as_used(folder: Path) -> Any:
        return usage._replace(free=0 if any(folder.iterdir()) else 2**30)

    monkeypatch.setattr(shutil, "disk_usage", as_far_as_used)
    exchange.run_once()
    assert exchange.plates.has(studio.plate.digest)
    assert not exchange.plates.has(old.digest)


def naming(studio: Studio, *plates: str) -> None:
    """The server's work names these, besides or instead of its own."""
    studio.work = lambda: replace(type(studio).work(studio), plates=plates)  # type: ignore[method-assign]


def test_one_plate_that_cannot_be_had_keeps_no_other_from_coming_or_going(
    exchange: Exchange, studio: Studio, caplog: pytest.LogCaptureFixture
) -> None:
    exchange.run_once()
    old, studio.plate = studio.plate, picture(studio.profile, seed=2)
    naming(studio, "f" * 64, studio.plate.digest)
    assert exchange.run_once() < studio.poll_after_s, "it is tried again soon"
    assert "no such thing" in caplog.text
    assert exchange.plates.has(studio.plate.digest)
    assert not exchange.plates.has(old.digest)


def test_a_plate_that_keeps_the_board_waiting_is_asked_for_last(exchange: Exchange, studio: Studio) -> None:
    asked: list[str] = []
    plate = exchange.client.plate

    def one_is_slow(digest: str, longest: int) -> Iterator[bytes]:
        asked.append(digest[:1])
        if digest == "f" * 64:
            raise Unreachable("plate: it drips", "slow")
        return plate(digest, longest)

    exchange.client.plate = one_is_slow  # type: ignore[method-assign]
    naming(studio, "f" * 64, studio.plate.digest)
    exchange.run_once()
    assert asked == ["f"], "what else the server has would drip, too"
    exchange.run_once()
    assert asked == ["f", studio.plate.digest[0], "f"]
    assert exchange.plates.has(studio.plate.digest)


def test_a_node_that_was_replaced_is_fenced_off(exchange: Exchange, studio: Studio, journal: Journal) -> None:
    exchange.run_once()
    studio.epoch = 2
    exchange.run_once()
    assert "taken over" in journal.state().fenced


def test_a_copied_board_is_fenced_off_by_what_its_original_told(
    exchange: Exchange, studio: Studio, journal: Journal
) -> None:
    studio.entries.append(KnifeArmed(seq=1, at=AT))
    with journal.transaction() as db:
        outbox.append(db, KnifeArmed(seq=1, at=AT + timedelta(seconds=1)))
    exchange.run_once()
    assert "entry 1 was told before" in journal.state().fenced
    assert studio.entries == [KnifeArmed(seq=1, at=AT)]


def test_a_board_with_nothing_to_tell_sees_that_its_copy_told_something(
    exchange: Exchange, studio: Studio, journal: Journal
) -> None:
    add_entries(journal, 2)
    exchange.run_once()
    assert journal.state().fenced == ""
    studio.entries.append(KnifeArmed(seq=3, at=AT))
    exchange.run_once()
    assert "has 3 entries of this board, and its journal only 2" in journal.state().fenced


def test_what_is_written_while_the_answer_comes_is_not_taken_for_what_a_copy_told(
    exchange: Exchange, studio: Studio, journal: Journal, monkeypatch: pytest.MonkeyPatch
) -> None:
    add_entries(journal, 2)
    exchange.run_once()
    report = exchange.client.report

    def meanwhile(reports: dict[str, Any]) -> int:
        studio.entries.append(KnifeArmed(seq=3, at=AT + timedelta(seconds=1)))
        add_entries(journal, 1)
        return report(reports)

    monkeypatch.setattr(exchange.client, "report", meanwhile)
    exchange.run_once()
    assert "has 3 entries of this board, and its journal only 2" in journal.state().fenced
    assert unaccepted(journal) == 1


def test_the_same_entry_told_again_fences_nobody_off(exchange: Exchange, studio: Studio, journal: Journal) -> None:
    add_entries(journal, 2)
    studio.entries.append(KnifeArmed(seq=1, at=AT))  # its answer was lost
    exchange.run_once()
    assert journal.state().fenced == ""
    assert len(studio.entries) == 2


def test_a_token_that_is_not_good_stops_nothing_but_says_what_to_do(
    exchange: Exchange, studio: Studio, journal: Journal, caplog: pytest.LogCaptureFixture
) -> None:
    exchange.run_once()
    exchange.client.authorization["Authorization"] = "Bearer wrong"
    exchange.run_once()
    assert journal.state().fenced == ""
    assert "enrol this board again" in caplog.text


def test_the_time_is_known_again_to_the_next_agent_of_this_boot(
    exchange: Exchange, studio: Studio, journal: Journal, clock: HandClock
) -> None:
    exchange.run_once()
    clock.at += 1000.0
    again = Timekeeper(clock, journal, "boot").estimate()
    assert again is not None
    assert again.now == pytest.approx(studio.clock.now() + 1000.0)
    assert again.error_s == pytest.approx(0.02 + 1000.0 * 250e-6, abs=1e-3)
    assert Timekeeper(clock, journal, "another boot").estimate() is None


def test_stopping_it_reports_once_more(exchange: Exchange, studio: Studio, journal: Journal) -> None:
    add_entries(journal, 2)
    exchange.run(lambda: True)
    assert len(studio.entries) == 2


def test_a_server_whose_clock_steps_is_doubted_also_by_the_next_agent(
    exchange: Exchange, studio: Studio, journal: Journal, clock: HandClock, caplog: pytest.LogCaptureFixture
) -> None:
    exchange.run_once()
    studio.clock.at += 3600.0  # type: ignore[attr-defined]
    exchange.run_once()
    doubted = exchange.time.estimate()
    assert doubted is not None
    assert doubted.doubted
    assert "contradicts" in caplog.text
    assert studio.statuses[-1].clock_error_s == pytest.approx(3600.0, abs=0.1)
    again = Timekeeper(clock, journal, "boot")
    assert again.estimate() == doubted
    for _ in range(16):
        clock.at += 60.0
        studio.clock.at += 60.0  # type: ignore[attr-defined]
        exchange.run_once()
    sure = exchange.time.estimate()
    assert sure is not None
    assert not sure.doubted
    assert sure.now == pytest.approx(studio.clock.now())
    assert Timekeeper(clock, journal, "boot").estimate() == sure
