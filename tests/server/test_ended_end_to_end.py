"""Runs that people take back or change, on a real board behind a real server: what lies on the paper, and what is told
of it."""

from __future__ import annotations

import pytest

from scheduling.log.models import Notice
from scheduling.log.rebuilding.rebuild import rebuild
from tests.server.board import later
from tests.server.house import House, columns, house, require_settled, span, views
from tests.server.studio import BEGINS

__all__ = ["house"]  # a fixture
pytestmark = pytest.mark.django_db(transaction=True)


def test_a_run_that_is_withdrawn_in_time_is_not_printed_and_another_is(house: House) -> None:
    house.plan("wrong", 1.0)
    house.go_on(0.5)
    house.act("wrong", "withdraw", {})
    house.plan("right", 2.0)
    house.go_on(3.6)
    assert house.board.laid() == columns(house.row("right"))
    assert house.row("wrong")["printed"] == 0
    require_settled(house)


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
    require_settled(house)


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
    require_settled(house)


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
    require_settled(house)


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
    require_settled(house)


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
    require_settled(house)


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
    require_settled(house)


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
    require_settled(house)


def test_a_run_that_is_changed_in_time_is_printed_as_it_is_now(house: House) -> None:
    house.plan("moving", 1.0)
    house.go_on(0.5)
    house.change("moving", span(2.0) | {"segments_per_turn": 48})
    house.go_on(4.0)
    row = house.row("moving")
    assert house.board.laid() == columns(row)
    assert row["printed"] == len(columns(row))
    require_settled(house)


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
    require_settled(house)


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
    require_settled(house)


def test_a_run_that_is_moved_before_another_comes_first(house: House) -> None:
    """Its board holds the other already, and waits for it."""
    house.plan("first", 5.0, 1.0)
    house.plan("second", 7.0, 1.0)
    house.go_on(0.5)
    house.change("second", span(1.0, 1.0))
    house.go_on(7.0)
    assert house.board.laid() == columns(house.row("second")) + columns(house.row("first"))
    require_settled(house)


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
    require_settled(house)
