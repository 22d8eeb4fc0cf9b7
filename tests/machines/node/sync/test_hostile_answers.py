"""What a venue's network answers in the server's place: it neither ends the exchange, nor fences off, nor stays."""

from __future__ import annotations

import gc
import json
import random
import socket
from collections.abc import Iterator
from contextlib import nullcontext
from pathlib import Path
from typing import Any

import pytest

from machines.chance import SYSTEM
from machines.node.store import outbox
from machines.node.store.journal import Journal
from machines.node.sync.client import Client
from machines.node.sync.exchange import Exchange
from machines.node.sync.failures import Refused, Unreachable
from machines.node.sync.timekeeper import Timekeeper
from machines.node.waiting.inquiry import WorkInquiry
from machines.node.work.plate_cache import PlateCache
from tests.machines.node import hostile
from tests.machines.node.over_http import journal, url
from tests.machines.node.relay import TOKEN, Studio
from tests.machines.node.rig import NOON, HandClock, Rig, make_studio

__all__ = ["journal", "url"]  # the fixtures

PATHS = {"clock": "/node/clock", "work": "/node/work", "plate": "/plates/", "reports": "/node/reports"}
CASES = [(path, name) for path in PATHS for name in hostile.ANYWHERE]
CASES += [("clock", name) for name in hostile.OF_CLOCK] + [("reports", name) for name in hostile.OF_REPORTS]
OCTETS = hostile.ANYWHERE | hostile.OF_CLOCK | hostile.OF_REPORTS


@pytest.fixture(scope="module")
def studio() -> Studio:
    return make_studio(HandClock(NOON + 5000.0))


def exchange_of(journal: Journal, url: str, home: Path) -> Exchange:
    clock = HandClock(at=NOON)
    return Exchange(
        journal=journal,
        clock=clock,
        time=Timekeeper(clock, journal, "boot"),
        plates=PlateCache(home / "plates"),
        client=Client(url, TOKEN),
        epoch=1,
        horizon="PT168H",
        inquiry=WorkInquiry(clock.elapsed),
        chance=SYSTEM,
    )


@pytest.fixture
def exchange(studio: Studio, url: str, journal: Journal, tmp_path: Path) -> Iterator[Exchange]:
    studio.instead = lambda path: None
    studio.entries.clear()
    made = exchange_of(journal, url, tmp_path)
    yield made
    made.client.close()


@pytest.mark.parametrize(("path", "name"), CASES)
def test_the_exchange_goes_on_whatever_is_answered(
    exchange: Exchange, studio: Studio, journal: Journal, path: str, name: str
) -> None:
    studio.instead = lambda asked: [OCTETS[name]] if PATHS[path] in asked else None
    wait_s = exchange.run_once()
    assert 0.0 < wait_s <= 3600.0
    assert journal.state().fenced == ""
    is_left_alone = (path, name) == ("clock", "503 of a year")
    assert path == "reports" or len(studio.entries) == (0 if is_left_alone else 1), "the other errands were done"
    studio.instead = lambda asked: None
    assert exchange.run_once() == studio.poll_after_s
    assert exchange.plates.has(studio.plate.digest)
    with journal.reading() as db:
        assert outbox.count_unaccepted(db) == 0
    assert [entry.seq for entry in studio.entries] == [1]


def test_a_connection_over_which_no_plate_came_is_closed_at_once(exchange: Exchange, studio: Studio, url: str) -> None:
    port = int(url.rpartition(":")[2])
    studio.instead = lambda asked: [OCTETS["200 negative chunk"]] if PATHS["plate"] in asked else None
    gc.collect()
    gc.disable()  # whatever is not closed by then is not closed by this either
    try:
        exchange.run_once()
        exchange.client.close()
        all_sockets = (
            one for one in gc.get_objects() if issubclass(type(one), socket.socket)
        )  # asks no lazy object what it is
        sockets = [one for one in all_sockets if one.fileno() != -1]
        assert [one for one in sockets if _is_to(one, port)] == []
    finally:
        gc.enable()


def _is_to(one: socket.socket, port: int) -> bool:
    try:
        return one.family == socket.AF_INET and bool(one.getpeername()[1] == port)
    except OSError:  # it listens, or its peer has gone
        return False


@pytest.mark.parametrize("name", hostile.ANYWHERE)
def test_a_board_that_is_enrolled_hears_of_it_in_words(studio: Studio, url: str, name: str) -> None:
    studio.instead = lambda asked: [OCTETS[name]]
    client = Client(url)
    with pytest.raises((Unreachable, Refused)):
        client.enrol("good")
    client.close()


@pytest.mark.parametrize(
    "given",
    [
        {"token": "node_x\r\nHost: evil.example"},
        {"token": ""},
        {"token": "x" * 201},
        {"machine": "../m1"},
        {"machine": ""},
        {"epoch": -1},
        {"epoch": 2**51},
        {"paper_position": -1},
        {"paper_position": 10**30},
        {"earlier": [{"epoch": 1, "through": 10**30, "at": "2026-09-21T14:13:20Z"}]},
    ],
)
def test_an_enrolment_that_no_server_gives_is_not_kept(studio: Studio, url: str, given: dict[str, Any]) -> None:
    whole = {"token": TOKEN, "machine": "m1", "epoch": 1, "paper_position": 0, "earlier": []} | given
    studio.instead = lambda asked: [hostile.json_answer(json.dumps(whole).encode())]
    client = Client(url)
    with pytest.raises(Unreachable, match="cannot be read"):
        client.enrol("good")
    client.close()


def test_a_server_names_so_many_plates_at_most(exchange: Exchange, studio: Studio, journal: Journal) -> None:
    work = studio.work().as_json()
    for many, taken in ((5_001, False), (5_000, True)):
        names = [*work["plates"], *(f"{number:064x}" for number in range(many - 1))]
        octets = hostile.json_answer(json.dumps(work | {"plates": names}).encode())
        studio.instead = lambda asked, octets=octets: [octets] if PATHS["work"] in asked else None  # type: ignore[misc]
        with pytest.raises(Unreachable) if not taken else nullcontext():
            exchange.fetch_work()


def test_what_ends_one_errand_by_a_fault_of_this_program_is_told_once_with_its_place(
    exchange: Exchange, studio: Studio, journal: Journal, caplog: pytest.LogCaptureFixture
) -> None:
    def break_down(horizon: str, etag: str | None) -> None:
        raise ZeroDivisionError("of the test")

    exchange.client.work = break_down  # type: ignore[method-assign, assignment]
    for _ in range(3):
        assert 0.0 < exchange.run_once() <= 300.0
    assert len(studio.entries) == 1
    told = [record for record in caplog.records if "of the test" in record.message]
    assert len(told) == 1
    assert told[0].exc_info is not None


def test_a_server_that_is_silent_about_work_is_still_told_everything(exchange: Exchange, studio: Studio) -> None:
    studio.instead = lambda asked: [b""] if PATHS["clock"] in asked else None
    exchange.run_once()
    assert len(studio.entries) == 1


@pytest.mark.parametrize(("poll_after_s", "wait_s"), [(1e300, 3600.0), (0.0, 1.0), (-7.0, 1.0), (3601.0, 3600.0)])
def test_how_often_the_server_is_asked_has_bounds_whatever_it_says(
    exchange: Exchange, studio: Studio, monkeypatch: pytest.MonkeyPatch, poll_after_s: float, wait_s: float
) -> None:
    monkeypatch.setattr(studio, "poll_after_s", poll_after_s)
    assert exchange.run_once() == wait_s


def test_the_servers_wait_is_an_hour_at_most_and_that_of_something_in_between_five_minutes(
    exchange: Exchange, studio: Studio
) -> None:
    for name, longest_s in (("503 of a year", 3600.0), ("503 of a day", 300.0), ("503 of 400 digits", 300.0)):
        studio.instead = lambda asked, name=name: [OCTETS[name]]  # type: ignore[misc]
        assert longest_s <= exchange.run_once() <= min(longest_s + 60.0, 3600.0), (
            "boards do not come at the same moment"
        )


@pytest.mark.parametrize(("asked_for_s", "wait_s"), [(3599, 3599.0), (3600, 3600.0), (3601, 3600.0)])
def test_no_wait_is_longer_than_an_hour(exchange: Exchange, studio: Studio, asked_for_s: int, wait_s: float) -> None:
    busy = hostile.problem("503 No", "about:blank").replace(b"\r\n", b"\r\nRetry-After: %d\r\n" % asked_for_s, 1)
    studio.instead = lambda asked: [busy]
    assert wait_s <= exchange.run_once() <= 3600.0


def test_a_server_whose_clock_leaps_is_asked_eight_times_a_pass_at_most(exchange: Exchange, studio: Studio) -> None:
    asked = []

    def leap(path: str) -> None:
        asked.append(path)
        studio.clock.at += 3600.0  # type: ignore[attr-defined]

    studio.instead = leap
    exchange.run_once()
    assert len([path for path in asked if PATHS["clock"] in path]) <= 8
    assert len(studio.entries) == 1


# Work that is well formed.

ODD: tuple[Any, ...] = (
    0, -1, 1, 7, 10**18, 10**30, -(10**30), 0.5, 1e-300, 1e300, True, None, "", "\x00", "x", [], {}, "../../x",
    "9999-12-31T23:59:59.999999Z", "0001-01-01T00:00:00Z", "2026-09-21T14:13:20Z",
)  # fmt: skip


def places(value: Any) -> list[tuple[Any, Any]]:
    """Where in a JSON value something else may stand: the container, and the name or index in it."""
    if not isinstance(value, dict | list):
        return []
    names = [*value] if isinstance(value, dict) else [*range(len(value))][:3]
    return [place for name in names for place in ((value, name), *places(value[name]))]


def otherwise(value: Any, dice: random.Random) -> Any:
    """Something odd; or as often something near, which may pass the door."""
    if dice.random() < 0.5:
        return dice.choice(ODD)
    if isinstance(value, bool) or not isinstance(value, int | float):
        return dice.choice([None, value])
    factor = dice.choice([0.1, 0.5, 2.0, 1000.0, -1.0])
    return value + dice.choice([-1, 1]) if dice.random() < 0.5 else type(value)(value * factor)


@pytest.mark.parametrize("seed", range(8))
def test_the_print_loop_goes_on_with_whatever_work_was_taken(
    tmp_path: Path, studio: Studio, url: str, seed: int
) -> None:
    """Each place of the work in turn holds something else: that is refused at the door, or can be printed by."""
    dice, clock = random.Random(seed), HandClock()
    rig = Rig(tmp_path, make_studio(clock), clock)
    rig.fetch()
    rig.run_columns(3)
    exchange = exchange_of(rig.journal, url, tmp_path)
    whole = json.dumps(rig.studio.work().as_json())
    taken = refused = 0
    for index in range(len(places(json.loads(whole)))):
        work = json.loads(whole)
        container, name = places(work)[index]
        container[name] = odd = otherwise(container[name], dice)
        octets = hostile.json_answer(json.dumps(work).encode())
        studio.instead = lambda asked, octets=octets: [octets]  # type: ignore[misc]
        try:
            exchange.fetch_work()
        except Unreachable:
            refused += 1
            continue
        taken += 1
        for _ in range(4):
            try:
                clock.at += min(rig.printer.step(), 60.0)
            except Exception as error:
                raise AssertionError(f"{name}: {odd!r}") from error
        rig.fetch()
    exchange.client.close()
    assert taken > 5 and refused > 15
    rig.run_columns(30)
    assert len(rig.paper().laid) > 20
