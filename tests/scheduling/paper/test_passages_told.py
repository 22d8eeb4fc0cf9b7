"""Every time that a place comes round in a span, by any clocks, with how well it is known."""

from __future__ import annotations

from datetime import datetime, timedelta
from typing import Any

import pytest

from machines.errors import InputError
from scheduling.log.models import Heartbeat, Machine
from scheduling.paper.next_passage import PassageQuery
from scheduling.paper.passages import passages_between
from scheduling.paper.passages_told import PassagesTold, passages_told
from scheduling.planning.opening_hours import Hours, OpenSpan, Week
from scheduling.queries.machine_context import machine_context
from scheduling.sky.zones import zone
from tests.scheduling.house import NOON, by, furnish, plan, set_hours

pytestmark = pytest.mark.django_db
MAP = {"kind": "map", "data": "land-110m"}
DAY = timedelta(days=1)
STATUS = {
    "at": "2026-03-28T12:00:00Z",
    "next_column": None,
    "paper_position": 0,
    "clock_error_s": 0.0123,
    "knife_armed": False,
    "held_until": None,
}
NEW_YORK = zone("America/New_York")


def planned(days: int = 6, picture: dict[str, Any] = MAP, **run: Any) -> None:
    furnish(picture)
    plan(**({"ends_at": (NOON + days * DAY).isoformat()} | run))


def told(days: int = 6, begins: datetime = NOON, **asked: Any) -> PassagesTold:
    context = machine_context(Machine.objects.get(), NOON)
    query = PassageQuery(**(asked or {"longitude": 15.0}))
    return passages_told(context, query, begins, begins + days * DAY, (NEW_YORK,))


def test_every_time_of_a_span_is_told_and_no_other() -> None:
    planned()
    context = machine_context(Machine.objects.get(), NOON)
    all_of_it = passages_between(context, PassageQuery(longitude=15.0), NOON, NOON + 6 * DAY, 99)
    assert [one.passage for one in told().passages] == all_of_it
    assert len(told(2).passages) + len(told(4, NOON + 2 * DAY).passages) == len(all_of_it)
    assert told(2, NOON - 9 * DAY).passages == ()


def test_by_another_clock_it_is_the_same_instant() -> None:
    """New York is four hours behind UTC from 8 March to 1 November 2026 (IANA time zone database; 15 U.S.C. 260a)."""
    planned()
    for one in told().passages:
        begins = one.passage.laid.begins_at + timedelta(seconds=30)
        (by,) = one.by_clocks
        assert by.zone == "America/New_York"
        assert by.laid.startswith(f"between {begins - timedelta(hours=4):%H:%M}")


def test_what_comes_round_while_its_run_rests_is_said_not_to_be_laid() -> None:
    furnish(MAP)
    set_hours("shed", Hours(week=Week(saturday=(OpenSpan(opens="00:00", closes="24:00"),))), by())
    plan(ends_at=(NOON + 9 * DAY).isoformat(), only_while_open=True)
    found = told(9).passages
    assert 0 < sum(not one.in_recess for one in found) < len(found)
    for one in found:
        local = one.passage.laid.begins_at.astimezone(zone(machine_context(Machine.objects.get(), NOON).venue.zone))
        assert one.in_recess is (local.weekday() != 5)


def test_of_a_quick_picture_as_many_as_are_read_are_told_and_until_when() -> None:
    furnish(MAP, highest_mm_per_hour=300.0)
    options = {"seconds": 1800.0, "epoch": NOON.isoformat()}
    plan(ends_at=(NOON + 12 * DAY).isoformat(), cycle="period", cycle_options=options, strips_per_turn=1)
    first = told(12, phase=0.5)
    assert len(first.passages) == 500, "there are 576"
    assert first.ends_at == NOON + timedelta(seconds=500.5 * 1800.0)
    rest = told(2, first.ends_at, phase=0.5)
    assert len(rest.passages) == 76 and rest.ends_at == first.ends_at + 2 * DAY
    turns = [one.passage.turn for one in (*first.passages, *rest.passages)]
    assert turns == list(range(turns[0], turns[0] + 576))


def test_it_says_how_well_it_is_known() -> None:
    planned()
    certainty = told().certainty
    assert certainty.clock_error_s is None and "it has not said" in certainty.in_words
    assert "What belongs to 24 min is laid at once" in certainty.in_words
    Heartbeat.objects.create(machine_id="one", heard_at=NOON, status=STATUS)
    assert "right to 0.012 s." in told().certainty.in_words
    assert certainty.burst_s > 0 and "the plan" in certainty.in_words


def test_a_run_without_such_a_place_is_named() -> None:
    planned(picture={"kind": "moon", "diameter_mm": 15.0}, cycle="synodic-month", strips_per_turn=1)
    with pytest.raises(InputError, match="ask for a phase or a column"):
        told(longitude=15.0)
    assert told(1, NOON + 9 * DAY, longitude=15.0).passages == (), "there is no run then"
