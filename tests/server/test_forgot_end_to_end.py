"""A server that forgot, with runs back to back on a real board: whatever it forgot and whatever the policy, the paper
has each column once, and the server ends by knowing it, without a hand but the one that plans again what is missing."""

from __future__ import annotations

import sqlite3
from collections import Counter
from collections.abc import Callable, Iterator
from contextlib import ExitStack, closing
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

import pytest
from django.core.management import call_command
from django.db import connections

from scheduling.log.models import Machine, Notice, Outage, Run
from scheduling.log.rebuilding.rebuild import rebuild
from scheduling.nodes.dispatch import work_for
from server import wiring
from tests.server.board import Board, later, served
from tests.server.keys import new_key
from tests.server.studio import BEGINS, IN_ORDER, RUN, Caller, HeldClock

pytestmark = pytest.mark.django_db(transaction=True)

MACHINE = "wren-1"
# How long each run is, and how long the board has no power in the first.
HOURS, OFF_H = 1.0, 0.3
POLICIES: dict[str, dict[str, Any]] = {
    "replay": {"kind": "replay"},
    "skip": {"kind": "skip"},
    "by-cause": {"kind": "skip", "by_cause": [{"causes": ["power"], "rule": {"kind": "replay"}}]},
}


@dataclass
class House:
    """A studio, a server, and a board beside its machine.

    Attributes:
        folder: for copies.
        clock: of all of them.
        board: its agent runs.
        policy: of the runs.
        studio: somebody of it.
        empty: the database before anybody ordered anything.
    """

    folder: Path
    clock: HeldClock
    board: Board
    policy: dict[str, Any]
    studio: Caller
    empty: Path
    _serving: ExitStack = field(default_factory=ExitStack)
    address: str = ""

    def serve(self) -> None:
        self._serving.close()
        self.address = self._serving.enter_context(served())

    def close(self) -> None:
        self.board.cut_power()
        self._serving.close()

    def plan(self, number: int) -> None:
        begins = later(BEGINS, HOURS * number)
        ends = later(begins, HOURS)
        span = {"starts_at": begins.isoformat(), "ends_at": ends.isoformat(), "begins_in_the_past": True}
        said = {"id": f"run-{number}", "policy": self.policy, "segments_per_turn": 96}
        self.studio.create("runs", RUN | span | said)

    def enrol(self) -> None:
        code = self.studio.post(f"machines/{MACHINE}/enrolment").json()["code"]
        self.board.enrol(self.address, code)

    def copy(self) -> Path:
        return copied(database(), self.folder / "copy")

    def put_back(self, copy: Path) -> None:
        copied(copy, database())


def database() -> Path:
    connections["default"].close()
    return Path(connections["default"].settings_dict["NAME"])


def copied(source: Path, target: Path) -> Path:
    with closing(sqlite3.connect(source)) as read, closing(sqlite3.connect(target)) as written:
        read.backup(written)
    return target


@pytest.fixture(params=POLICIES)
def house(
    request: pytest.FixtureRequest, tmp_path: Path, clock: HeldClock, plates: Any, uploads: Any
) -> Iterator[House]:
    empty = copied(database(), tmp_path / "empty")
    studio = Caller(new_key("tests"))
    house = House(tmp_path, clock, Board(tmp_path / "node", clock), POLICIES[request.param], studio, empty)
    for resource, body in IN_ORDER[:4]:
        studio.create(resource, body)
    house.serve()
    house.enrol()
    house.board.start()
    yield house
    house.close()


# How a server forgets: what is kept when the first run is half printed, and what is done with it later.


def restored(house: House) -> Callable[[], None]:
    copy = house.copy()
    return lambda: house.put_back(copy)


def moved(house: House) -> Callable[[], None]:
    """To another address, with the older copy; the board is enrolled again, on its old folder."""
    copy = house.copy()

    def move() -> None:
        house.put_back(copy)
        house.serve()
        house.board.stop()
        house.enrol()
        house.board.start()

    return move


def rebuilt(house: House) -> Callable[[], None]:
    """From an export, which has no keys and no credentials."""
    export = house.folder / "export"
    call_command("log", "export", "--unsigned", str(export))

    def build() -> None:
        house.put_back(house.empty)
        call_command("log", "import", "--without-key", str(export))
        house.studio = Caller(new_key("tests again"))
        house.board.stop()
        house.enrol()
        house.board.start()

    return build


@pytest.mark.parametrize("runs", [2, 3])
@pytest.mark.parametrize("forgets", [restored, rebuilt, moved])
def test_it_ends_true_after_a_server_that_forgot(
    house: House, forgets: Callable[[House], Callable[[], None]], runs: int
) -> None:
    """Power fails once after the copy was made, so that a gap is forgotten, too, and the last run is planned after."""
    for number in range(1, runs):
        house.plan(number)
    house.board.run_until(later(BEGINS, HOURS * 1.1))
    forget = forgets(house)
    house.plan(runs)
    house.board.cut_power()
    house.clock.at = later(house.clock.at, OFF_H)
    house.board.start()
    house.board.run_until(later(BEGINS, HOURS * (runs + 0.5)))
    forget()
    house.board.passes(2)
    assert open_notices() == ["run-not-known"]
    house.plan(runs)
    house.board.run_until(later(BEGINS, HOURS * (runs + 2)))
    require_true(house, runs)


def open_notices() -> list[str]:
    return list(Notice.objects.filter(cleared_at=None).values_list("kind", flat=True))


def require_true(house: House, runs: int) -> None:
    laid = Counter(house.board.laid())
    assert laid.most_common(1)[0][1] == 1, "no column lies twice"
    for number in range(1, runs + 1):
        run = Run.objects.get(id=f"run-{number}")
        printed = sum(laid[column] for column in range(run.first_column, run.end_column))
        assert (run.printed, run.again, run.ahead) == (printed, 0, [])
        assert run.printed + run.skipped + run.unknown == run.end_column - run.first_column
        assert (run.skipped > 0) == (house.policy == POLICIES["skip"] and number == 1)
    newest, untaken = house.board.told()
    assert (Machine.objects.get(id=MACHINE).accepted_through, untaken) == (newest, 0)
    assert work_for(MACHINE, wiring.now(), wiring.horizon(), 60.0).run is None
    assert open_notices() == []
    assert Notice.objects.filter(kind="entries-told-again").exists()
    outage = Outage.objects.get()
    assert (outage.cause, outage.differs, outage.true_again_at is None) == ("power", None, False)
    assert all(result.equal for result in rebuild(swap=False))
