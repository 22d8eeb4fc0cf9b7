"""Runs that people hold, on a real board behind a real server: when it prints, and what is told of the time between."""

from __future__ import annotations

from itertools import pairwise
from typing import Any

import pytest

from scheduling.log.models import Notice, Outage
from tests.server.board import later
from tests.server.house import House, house, require_settled
from tests.server.studio import BEGINS

__all__ = ["house"]  # a fixture
pytestmark = pytest.mark.django_db(transaction=True)


def span(first_h: float, last_h: float) -> dict[str, str]:
    return {"at": later(BEGINS, first_h).isoformat(), "until": later(BEGINS, last_h).isoformat()}


def missing(house: House) -> list[tuple[int, int]]:
    """Where columns are left out between those that lie."""
    return [(one + 1, other) for one, other in pairwise(house.board.laid()) if other != one + 1]


def alone(house: House, hours: float) -> None:
    """No network, which a board that waits for a word on a gap gives half a minute."""
    for _ in range(round(hours * 60)):
        house.go_on_alone(1 / 60)


def told_of(house: House) -> list[Any]:
    return [(one.cause, one.differs) for one in Outage.objects.order_by("version")]


def test_a_private_view_is_kept_by_a_board_that_hears_nothing_meanwhile(house: House) -> None:
    house.plan("long", 1.0, 6.0)
    house.go_on(0.5)
    house.act("long", "hold", span(3.0, 4.0))
    house.go_on(1.0)
    alone(house, 3.5)
    house.go_on(3.0)
    (gap,) = missing(house)
    row = house.row("long")
    assert gap[1] - gap[0] == pytest.approx(15, abs=1)  # an hour of it
    assert told_of(house) == [("held", None)]
    assert (row["skipped"], row["unknown"]) == (gap[1] - gap[0], 0)
    require_settled(house)


def test_a_board_that_has_not_heard_prints_on_and_begins_when_it_has(house: House) -> None:
    house.plan("long", 1.0, 6.0)
    house.go_on(2.0)
    house.act("long", "hold", {"reason": "a repair"})
    before = len(house.board.laid())
    alone(house, 1.0)
    unheard = len(house.board.laid())
    assert unheard > before
    house.go_on(1.0)
    assert len(house.board.laid()) - unheard <= 1
    house.act("long", "continue", {})
    house.go_on(4.0)
    assert len(missing(house)) == 1
    assert told_of(house) == [("held", None)]
    require_settled(house)


def test_the_power_goes_while_it_is_held_and_comes_back_after_it(house: House) -> None:
    house.plan("long", 1.0, 6.0)
    house.go_on(0.5)
    house.act("long", "hold", span(2.0, 3.0))
    house.go_on(2.0)
    house.board.cut_power()
    house.clock.sleep(3600.0)
    house.board.start()
    house.go_on(5.0)
    assert len(missing(house)) == 1
    assert [cause for cause, _ in told_of(house)] == ["held"]
    require_settled(house)


def test_a_run_that_is_ended_while_it_is_held_is_over_once_it_goes_on(house: House) -> None:
    house.plan("long", 1.0, 6.0)
    house.go_on(2.0)
    house.act("long", "hold", {})
    house.go_on(1.0)
    house.act("long", "end", {})
    house.act("long", "continue", {})
    house.plan("next", 4.0, 1.0)
    house.go_on(3.0)
    long, after = house.row("long"), house.row("next")
    assert long["printed"] + long["skipped"] == long["end_column"] - long["first_column"]
    assert after["printed"] == after["end_column"] - after["first_column"]
    require_settled(house)


def test_it_raises_no_notice_but_the_one_of_the_gap(house: House) -> None:
    house.plan("long", 1.0, 4.0)
    house.go_on(0.5)
    house.act("long", "hold", span(2.0, 3.0))
    house.go_on(2.4)
    assert not Notice.objects.exists()
    house.go_on(3.0)
    assert [one.kind for one in Notice.objects.all()] == ["gap"]
