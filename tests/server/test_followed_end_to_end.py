"""A run and the one that follows it, on a real board behind a real server: how they join on the paper."""

from __future__ import annotations

from collections import Counter
from typing import Any

import pytest

from server import jobs
from tests.server.board import later
from tests.server.house import House, columns, house, require_settled
from tests.server.studio import BEGINS, SOURCE

__all__ = ["house"]  # a fixture
pytestmark = pytest.mark.django_db(transaction=True)


def followed(house: House, hour: float, **named: Any) -> Any:
    """One follows the other from an hour on; it prints something else, in other strips."""
    house.studio.create("sources", SOURCE | {"id": "other"})
    body = {"id": "then", "at": later(BEGINS, hour).isoformat(), "boundary": "burst", "source": "other"}
    row = house.act("first", "succeed", body | {"strips_per_turn": 6} | named)
    jobs.extend()
    return row


def both(house: House) -> list[int]:
    return columns(house.row("first")) + columns(house.row("then"))


@pytest.mark.parametrize("alone", [False, True], ids=["the server is there", "nobody is there"])
def test_they_join_without_a_gap_or_an_overlap_and_all_of_both_is_printed(house: House, alone: bool) -> None:
    house.plan("first", 1.0, 4.0)
    house.go_on(0.5)
    followed(house, 3.0)
    house.go_on(1.0)
    (house.go_on_alone if alone else house.go_on)(4.0)
    assert house.board.laid() == both(house)
    house.go_on(0.5)
    first, then = house.row("first"), house.row("then")
    assert first["end_column"] == then["first_column"]
    assert house.board.laid() == both(house) == list(range(first["first_column"], then["end_column"]))
    assert [row["printed"] for row in (first, then)] == [len(columns(row)) for row in (first, then)]
    assert house.studio.get("outages").json()["results"] == []
    require_settled(house)


def test_what_is_taken_back_of_it_is_let_go_of(house: House) -> None:
    house.plan("first", 1.0, 4.0)
    house.go_on(0.5)
    followed(house, 3.0)
    house.go_on(0.5)
    house.act("then", "withdraw", {})
    house.go_on(0.5)
    house.go_on_alone(4.0)
    assert house.board.laid() == columns(house.row("first"))
    house.go_on(0.5)
    require_settled(house)


@pytest.mark.parametrize("policy", ["skip", "replay"])
def test_where_the_board_has_not_heard_of_it_nothing_is_printed_twice(house: House, policy: str) -> None:
    house.plan("first", 1.0, 4.0, policy={"kind": policy})
    house.go_on(2.0)
    followed(house, 2.4)
    house.go_on_alone(1.0)
    beyond = len(house.board.laid()) - len(columns(house.row("first")))
    assert beyond > 5
    house.go_on(4.0)
    first, then = house.row("first"), house.row("then")
    assert first["beyond"] == beyond <= then["skipped"]
    gap = house.studio.get("outages").json()["results"][0]
    assert gap["decision"]["reason"] == "they lie on the paper as columns of run first"
    assert {one["kind"] for one in house.studio.get("notices?limit=50").json()["results"]} == {"gap"}
    assert then["printed"] + then["skipped"] == len(columns(then))
    require_settled(house)


def test_the_power_goes_while_nobody_is_there(house: House) -> None:
    house.plan("first", 1.0, 4.0)
    house.go_on(0.5)
    followed(house, 3.0)
    house.go_on(1.0)
    house.go_on_alone(1.8)  # it is on the one that follows, of which no server has heard
    house.board.cut_power()
    house.clock.sleep(1200.0)
    house.board.start()
    house.go_on(3.0)
    rows = house.row("first"), house.row("then")
    assert all(row["printed"] + row["skipped"] + row["unknown"] == len(columns(row)) for row in rows)
    assert max(Counter(house.board.laid()).values()) == 1
    assert rows[0]["printed"] == len(columns(rows[0]))
    assert rows[1]["printed"] > 5 < rows[1]["skipped"]
    require_settled(house)
