"""When a place comes round: several times in order, and those of a day, against the Naval Observatory's Sun."""

from __future__ import annotations

from datetime import date, datetime, timedelta
from itertools import pairwise
from typing import Any

import pytest

from scheduling.log.models import Machine, Run
from scheduling.paper import passage_times as passage_times_module
from scheduling.paper.next_passage import PassageQuery, next_passage, on_run, told
from scheduling.paper.passage_times import cuts_after, passage_times, passages_of
from scheduling.paper.passages import coming_passages, laid_passages, passages_between, resting
from scheduling.planning.opening_hours import Hours, OpenSpan, Week
from scheduling.planning.quiet_hours import QuietHours, QuietSpan, QuietWeek
from scheduling.queries.machine_context import MachineContext, machine_context
from scheduling.sky.civil import day_bounds
from scheduling.sky.zones import zone
from tests.reference import usno
from tests.scheduling.house import NOON, by, furnish, plan, set_hours, set_quiet_hours

pytestmark = pytest.mark.django_db
MAP = {"kind": "map", "data": "land-110m"}
DAY = timedelta(days=1)


def context(at: datetime = NOON) -> MachineContext:
    return machine_context(Machine.objects.get(), at)


def on_its_way(days: int = 6, picture: dict[str, Any] = MAP, **run: Any) -> None:
    furnish(picture)
    plan(**({"ends_at": (NOON + days * DAY).isoformat()} | run))


def test_the_next_times_are_a_turn_apart_and_begin_with_the_next() -> None:
    on_its_way()
    query = PassageQuery(longitude=15.0)
    found = coming_passages(context(), query, 4)
    assert found[0] == next_passage(context(), query)
    assert [one.turn - found[0].turn for one in found] == [0, 1, 2, 3]
    # Days of the true Sun differ from 24 hours by at most half a minute (any almanac).
    for one, other in pairwise(found):
        assert abs(other.at - one.at - DAY) < timedelta(seconds=31)


def test_no_more_is_told_than_is_planned() -> None:
    on_its_way(days=2)
    assert len(coming_passages(context(), PassageQuery(longitude=15.0), 9)) == 2
    assert coming_passages(context(NOON + 2 * DAY), PassageQuery(longitude=15.0), 9) == []


def test_the_times_of_a_day_are_those_within_it() -> None:
    on_its_way()
    clock = zone(context().venue.zone)
    query, days = (
        PassageQuery(longitude=15.0),
        [NOON.astimezone(clock).date() + number * DAY for number in range(-1, 9)],
    )
    of_days = [passages_between(context(), query, *day_bounds(day, clock), 9) for day in days]
    told = [one for found in of_days for one in found]
    assert [one.at for one in told] == [one.at for one in coming_passages(context(), query, 99)]
    for day, found in zip(days, of_days, strict=True):
        assert {one.laid.begins_at.astimezone(clock).date() for one in found} <= {day}


def test_a_day_that_is_over_is_told_as_it_was_planned() -> None:
    on_its_way()
    begins = NOON + DAY
    before, after = (
        passages_between(context(at), PassageQuery(phase=0.25), begins, begins + DAY, 9)
        for at in (NOON, NOON + 5 * DAY)
    )
    assert before == after and len(before) == 1


def test_a_quick_picture_comes_as_often_as_is_asked_for() -> None:
    options = {"seconds": 21600.0, "epoch": NOON.isoformat()}
    on_its_way(2, cycle="period", cycle_options=options, strips_per_turn=1)
    found = passages_between(context(), PassageQuery(phase=0.5), NOON, NOON + DAY, 9)
    assert [one.at - NOON for one in found] == [timedelta(hours=hours) for hours in (3, 9, 15, 21)]
    assert passages_between(context(), PassageQuery(phase=0.5), NOON, NOON + DAY, 3) == found[:3]


def test_no_more_is_worked_out_than_is_told(monkeypatch: pytest.MonkeyPatch) -> None:
    """Where the paper with a place is cut off is worked out of what lies in the span, and of one more that does not."""
    on_its_way(30)
    cuts: list[int] = []
    monkeypatch.setattr(passage_times_module, "cuts_after", lambda on, all: cuts.extend(all) or cuts_after(on, all))
    assert len(passages_between(context(), PassageQuery(phase=0.5), NOON, NOON + 3 * DAY, 20)) == 3
    assert len(cuts) == 4


def open_on_saturdays(days: int) -> None:
    """NOON is on a Saturday."""
    furnish(MAP)
    set_hours("shed", Hours(week=Week(saturday=(OpenSpan(opens="00:00", closes="24:00"),))), by())
    plan(ends_at=(NOON + days * DAY).isoformat(), only_while_open=True)


def test_times_at_which_the_run_rests_are_told_from_those_at_which_it_is_laid() -> None:
    open_on_saturdays(30)
    query = PassageQuery(longitude=15.0)  # passes at eleven in the morning, by UTC
    laid, at_rest = laid_passages(context(), query, 2)
    assert [one.at.date() for one in laid] == [date(2026, 10, 31), date(2026, 11, 7)]
    assert [one.at.day for one in at_rest] == [25, 26, 27, 28, 29, 30, 1, 2, 3, 4, 5, 6]
    laid, at_rest = laid_passages(context(NOON + 28 * DAY), query, 2)
    assert laid == [] and len(at_rest) == 2, "only of closed days there are two left"


def test_where_no_run_rests_the_next_times_are_those_at_which_it_is_laid() -> None:
    on_its_way()
    query = PassageQuery(longitude=15.0)
    assert laid_passages(context(), query, 3) == (coming_passages(context(), query, 3), [])
    assert laid_passages(context(NOON + 9 * DAY), query, 3) == ([], [])


def test_a_run_that_people_hold_rests() -> None:
    on_its_way()
    query = PassageQuery(longitude=15.0)
    found = coming_passages(context(), query, 4)
    hold = {"starts_at": found[1].laid.begins_at.isoformat(), "ends_at": found[2].laid.begins_at.isoformat()}
    Run.objects.update(holds=[hold])
    assert resting(context(), found) == [False, True, False, False]
    assert resting(context(), []) == []


def test_runs_whose_picture_has_no_such_place_are_passed_over() -> None:
    on_its_way(2, picture={"kind": "moon", "diameter_mm": 15.0}, cycle="synodic-month", strips_per_turn=1)
    assert coming_passages(context(), PassageQuery(longitude=0.0), 3) == []


@pytest.mark.parametrize("line", usno.positions("appgeo_sun.txt")[::3], ids=lambda line: f"{line.at_ut1:%Y-%m-%d}")
def test_the_sun_stands_where_the_naval_observatory_has_it(line: usno.Position) -> None:
    """US Naval Observatory, Apparent Geocentric Positions of the Sun with Equation of Time, 2007: at 0h UT1 the Sun is
    over 180 degrees less 15 degrees for each hour of the equation of time. UT1 and UTC differed by less than 0.3 s then
    (from memory); the tables are good to half a second."""
    assert line.equation_of_time_s is not None
    at = line.at_ut1
    furnish(MAP)
    plan(starts_at=(at - DAY).isoformat(), ends_at=(at + DAY).isoformat(), begins_in_the_past=True)
    under = (180.0 - line.equation_of_time_s / 240.0 + 180.0) % 360.0 - 180.0
    (found,) = passages_between(context(), PassageQuery(longitude=under), at - DAY / 2, at + DAY / 2, 9)
    assert abs(found.at - at) < timedelta(seconds=1)
    assert found.laid.begins_at <= found.at < found.laid.ends_at


@pytest.mark.parametrize("strips", [0, 1, 12])
@pytest.mark.parametrize("is_quiet", [False, True])
def test_many_at_once_are_told_as_one_by_one(strips: int, is_quiet: bool) -> None:
    furnish()
    if is_quiet:
        nightly = (QuietSpan(begins="22:00", ends="07:00"),)
        names = ("monday", "tuesday", "wednesday", "thursday", "friday", "saturday", "sunday")
        set_quiet_hours("shed", QuietHours(week=QuietWeek(**dict.fromkeys(names, nightly))), by())
    plan(ends_at=(NOON + timedelta(days=9, hours=7)).isoformat(), strips_per_turn=strips)
    on = on_run(context(), Run.objects.get())
    for phase in (0.0, 0.3, 0.99):
        query = PassageQuery(phase=phase)
        times = passage_times(on, phase, NOON, 20)
        at_once = list(passages_of(on, query, phase, None, times))
        assert at_once == [told(on, query, phase, None, one) for one in on.coming(phase, NOON, 20)]
        assert len(at_once) == 9
