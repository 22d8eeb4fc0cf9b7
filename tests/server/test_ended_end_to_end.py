"""Runs that people take back or change, on a real board behind a real server: what lies on the paper, and what is told
of it."""

from __future__ import annotations

import json
from collections import Counter
from collections.abc import Iterator
from contextlib import ExitStack
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import pytest

from scheduling.log.models import Machine, Notice, Run, Segment
from scheduling.log.rebuilding.rebuild import rebuild
from server import jobs
from tests.server.board import Board, later, served
from tests.server.studio import BEGINS, IN_ORDER, RUN, Caller, HeldClock

pytestmark = pytest.mark.django_db(transaction=True)


@dataclass
class House:
    """A studio, a server, and a board beside its machine.

    Attributes:
        studio: somebody of it.
        board: its agent runs.
        clock: of both.
    """

    studio: Caller
    board: Board
    clock: HeldClock

    def plan(self, id: str, hour: float, hours: float = 2.0, **said: Any) -> None:
        begins = later(BEGINS, hour)
        span = {"starts_at": begins.isoformat(), "ends_at": later(begins, hours).isoformat()}
        self.studio.create("runs", RUN | span | {"id": id, "segments_per_turn": 96} | said)
        jobs.extend()

    def row(self, run: str) -> Any:
        return self.studio.get(f"runs/{run}").json()

    def act(self, run: str, name: str, body: Any, query: str = "?accept=true") -> Any:
        tag = self.studio.get(f"runs/{run}").headers["ETag"]
        answer = self.studio.post(f"runs/{run}/{name}{query}", body, HTTP_IF_MATCH=tag)
        assert answer.status_code == 200, answer.content
        return answer.json()

    def change(self, run: str, body: Any) -> Any:
        match = {"HTTP_IF_MATCH": self.studio.get(f"runs/{run}").headers["ETag"]}
        said = {"data": json.dumps(body), "content_type": "application/json"}
        answer = self.studio.other("PATCH", f"runs/{run}?accept=true", **said, **match)
        assert answer.status_code == 200, answer.content
        jobs.extend()
        return answer.json()

    def go_on(self, hours: float) -> None:
        self.board.run_until(later(self.clock.at, hours))

    def go_on_alone(self, hours: float) -> None:
        """No network."""
        instant = later(self.clock.at, hours)
        while self.clock.at < instant:
            if (wait_s := self.board._printer.step()) > 0:
                self.clock.sleep(max(min(wait_s, (instant - self.clock.at).total_seconds()), 0.001))


@pytest.fixture
def house(studio: Caller, clock: HeldClock, tmp_path: Path) -> Iterator[House]:
    with ExitStack() as stack:
        address = stack.enter_context(served())
        for resource, body in IN_ORDER[:4]:
            studio.create(resource, body)
        board = Board(tmp_path / "board", clock)
        stack.callback(board.cut_power)
        board.enrol(address, studio.post("machines/wren-1/enrolment").json()["code"])
        board.start()
        yield House(studio, board, clock)


def views() -> list[Any]:
    return [list(model.objects.order_by("pk").values()) for model in (Run, Segment, Machine, Notice)]


def columns(row: dict[str, int]) -> list[int]:
    return list(range(row["first_column"], row["end_column"]))


def settled_in_the_end(house: House) -> None:
    """No column lies twice, and views that are folded anew are as they were."""
    assert not [column for column, count in Counter(house.board.laid()).items() if count > 1]
    live = views()
    rebuild()
    assert views() == live


def test_a_run_that_is_withdrawn_in_time_is_not_printed_and_another_is(house: House) -> None:
    house.plan("wrong", 1.0)
    house.go_on(0.5)
    house.act("wrong", "withdraw", {})
    house.plan("right", 2.0)
    house.go_on(3.6)
    assert house.board.laid() == columns(house.row("right"))
    assert house.row("wrong")["printed"] == 0
    settled_in_the_end(house)


def test_what_was_printed_offline_is_kept_and_the_rest_is_let_go(house: House) -> None:
    house.plan("wrong", 1.0)
    house.go_on(0.5)
    house.act("wrong", "withdraw", {})
    house.plan("right", 2.5)
    house.go_on_alone(1.2)  # it has printed of it for 42 minutes
    laid = len(house.board.laid())
    assert 5 < laid < 15
    house.go_on(3.5)
    wrong, right = house.row("wrong"), house.row("right")
    assert wrong["printed"] == laid
    assert right["printed"] == len(columns(right))
    assert house.board.laid() == columns(wrong)[:laid] + columns(right)
    assert Notice.objects.filter(kind="printed-though-withdrawn").count() == 1
    settled_in_the_end(house)


def test_a_board_whose_power_went_in_the_middle_of_it_tells_of_it(house: House) -> None:
    house.plan("wrong", 1.0)
    house.go_on(0.5)
    house.act("wrong", "withdraw", {})
    house.go_on_alone(1.2)
    laid = len(house.board.laid())
    house.board.cut_power()
    house.clock.sleep(600.0)
    house.board.start()
    house.go_on(1.0)
    wrong = house.row("wrong")
    assert wrong["printed"] + wrong["unknown"] >= laid
    assert len(house.board.laid()) == laid
    settled_in_the_end(house)


def test_a_run_is_ended_now_and_another_begins_there(house: House) -> None:
    house.plan("long", 1.0, 6.0)
    house.go_on(3.0)
    before = house.row("long")
    row = house.act("long", "end", {"reason": "enough"})
    assert before["first_column"] < row["end_column"] < before["end_column"]
    house.plan("next", 4.0, 1.0)
    house.go_on(4.0)
    long, after = house.row("long"), house.row("next")
    beyond = range(long["end_column"], long["end_column"] + long["beyond"])
    assert house.board.laid() == [*columns(long), *beyond, *columns(after)]
    settled_in_the_end(house)


def test_a_run_ends_at_a_strip_to_come_and_is_lengthened_again(house: House) -> None:
    house.plan("long", 1.0, 8.0)
    house.go_on(2.0)
    whole = house.row("long")["end_column"]
    strip = house.act("long", "end", {"boundary": "strip"})["end_column"]
    assert strip % 90 == 0
    burst = house.act("long", "end", {"at": later(house.clock.at, 1.1).isoformat()})["end_column"]
    assert burst != strip
    house.go_on(0.5)
    house.act("long", "end", {"at": later(BEGINS, 6.52).isoformat()})
    house.go_on(0.5)
    row = house.act("long", "end", {"at": later(BEGINS, 8.01).isoformat()})
    assert burst < row["end_column"] < whole
    house.go_on(8.0)
    row = house.row("long")
    assert house.board.laid() == columns(row)
    assert (row["printed"], row["beyond"], row["revision"]) == (len(columns(row)), 0, 5)
    settled_in_the_end(house)


def test_what_is_printed_beyond_an_end_unheard_is_counted_and_nothing_is_missing(house: House) -> None:
    house.plan("long", 1.0, 6.0)
    house.go_on(2.0)
    row = house.act("long", "end", {"at": later(house.clock.at, 0.4).isoformat()})
    house.plan("next", 4.5, 1.0)
    house.go_on_alone(1.5)
    laid = len(house.board.laid())
    house.go_on(4.0)
    row = house.row("long")
    assert row["printed"] == len(columns(row))
    assert row["beyond"] == laid - len(columns(row)) > 5
    assert house.board.laid()[laid:] == columns(house.row("next"))
    assert house.studio.get("notices?limit=50").json()["results"] == []
    settled_in_the_end(house)


def test_columns_beyond_an_end_count_where_it_is_lengthened(house: House) -> None:
    house.plan("long", 1.0, 6.0)
    house.go_on(2.0)
    house.act("long", "end", {"at": later(house.clock.at, 0.41).isoformat()})
    house.go_on_alone(1.5)
    house.board.passes(2)
    assert house.row("long")["beyond"] > 5
    house.act("long", "end", {"at": later(BEGINS, 6.2).isoformat()})
    house.go_on(5.0)
    row = house.row("long")
    assert (row["printed"], row["beyond"]) == (len(columns(row)), 0)
    assert house.board.laid() == columns(row)
    settled_in_the_end(house)


def test_a_run_is_ended_while_its_board_has_no_power_and_in_the_middle_of_a_replay(house: House) -> None:
    house.plan("long", 1.0, 6.0, policy={"kind": "replay"})
    house.go_on(2.0)
    house.board.cut_power()
    house.clock.sleep(3600.0)
    house.board.start()
    house.go_on(0.1)
    row = house.act("long", "end", {"at": later(house.clock.at, 0.3).isoformat()})
    house.go_on(4.0)
    row = house.row("long")
    assert row["printed"] + row["unknown"] + row["skipped"] == len(columns(row))
    assert row["again"] == 0
    assert house.studio.get("outages").json()["results"][-1]["true_again_at"] is not None
    settled_in_the_end(house)


def span(hour: float, hours: float = 2.0) -> dict[str, str]:
    begins = later(BEGINS, hour)
    return {"starts_at": begins.isoformat(), "ends_at": later(begins, hours).isoformat()}


def test_a_run_that_is_changed_in_time_is_printed_as_it_is_now(house: House) -> None:
    house.plan("moving", 1.0)
    house.go_on(0.5)
    house.change("moving", span(2.0) | {"segments_per_turn": 48})
    house.go_on(4.0)
    row = house.row("moving")
    assert house.board.laid() == columns(row)
    assert row["printed"] == len(columns(row))
    settled_in_the_end(house)


def test_what_a_board_printed_by_the_plan_before_stays_and_the_run_is_printed_whole(house: House) -> None:
    house.plan("moving", 1.0)
    house.go_on(0.5)
    house.change("moving", span(4.0) | {"segments_per_turn": 48})
    house.go_on_alone(1.2)
    laid = len(house.board.laid())
    assert 5 < laid < 15
    house.go_on(5.5)
    row = house.row("moving")
    assert house.board.laid()[laid:] == columns(row)
    assert row["printed"] == len(columns(row))
    assert Notice.objects.filter(kind="printed-by-earlier-plan").count() == 1
    settled_in_the_end(house)


def test_a_board_hears_in_the_middle_of_the_plan_before_that_there_is_another(house: House) -> None:
    """Both hold this instant: it goes on by the one that is so now."""
    house.plan("moving", 1.0, 4.0)
    house.go_on(0.5)
    house.change("moving", span(1.5, 3.0) | {"segments_per_turn": 48})
    house.go_on_alone(1.3)
    laid = house.board.laid()
    assert len(laid) > 5
    house.go_on(4.0)
    row = house.row("moving")
    after = house.board.laid()[len(laid) :]
    assert after == sorted(set(after)) and after[-1] == row["end_column"] - 1
    assert row["printed"] + row["skipped"] + row["unknown"] == len(columns(row))
    live = views()
    rebuild()
    assert views() == live


def test_a_run_is_lengthened_while_it_is_printed(house: House) -> None:
    house.plan("long", 1.0, 2.0)
    house.go_on(2.0)
    before = house.row("long")["end_column"]
    house.change("long", {"ends_at": later(BEGINS, 5.0).isoformat()})
    house.go_on(4.0)
    row = house.row("long")
    assert row["end_column"] > before
    assert house.board.laid() == columns(row)
    settled_in_the_end(house)


def test_a_run_that_is_moved_before_another_comes_first(house: House) -> None:
    """Its board holds the other already, and waits for it."""
    house.plan("first", 5.0, 1.0)
    house.plan("second", 7.0, 1.0)
    house.go_on(0.5)
    house.change("second", span(1.0, 1.0))
    house.go_on(7.0)
    assert house.board.laid() == columns(house.row("second")) + columns(house.row("first"))
    settled_in_the_end(house)


def test_a_run_that_is_put_off_is_not_passed_over_for_the_next(house: House) -> None:
    house.plan("first", 1.0, 1.0)
    house.plan("second", 5.0, 1.0)
    house.go_on(0.5)
    house.change("first", span(3.0, 1.0))
    house.go_on_alone(1.0)  # it prints by the plan before
    laid = len(house.board.laid())
    assert laid > 3
    house.go_on(6.0)
    assert house.board.laid()[laid:] == columns(house.row("first")) + columns(house.row("second"))
    settled_in_the_end(house)
