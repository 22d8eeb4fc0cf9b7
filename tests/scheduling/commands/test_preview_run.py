"""What planning a run would come to, told before anything is written."""

from __future__ import annotations

from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any, get_args
from zoneinfo import ZoneInfo

import numpy as np
import pytest
from django.db import connection
from django.db.models import F
from django.test.utils import CaptureQueriesContext
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from machines.errors import InputError
from machines.serialization import structure
from scheduling.background.extend_plans import extend_plans
from scheduling.commands import handlers
from scheduling.commands.plan_run import PlanRun
from scheduling.commands.preview_run import RunCheck, check_run
from scheduling.log.events.visits import ServiceWindowCalledOff, ServiceWindowFixed
from scheduling.log.integrity.archive import close_streams
from scheduling.log.models import Event, Machine, Run, Venue
from scheduling.log.store import Append, append
from scheduling.planning.opening_hours import Hours
from scheduling.planning.service_windows import Weekday, Weekly
from scheduling.queries.machine_context import machine_context
from scheduling.queries.runs import cycle_named, open_segments, venue_place
from scheduling.rendering.plate_store import PlateStore
from scheduling.supplies.forecast import forecast
from scheduling.supplies.part_ends import Rolls
from scheduling.supplies.remaining_work import RemainingColumns
from tests.scheduling.house import NOON, by, furnish, order, plan, run_order, run_timeline, set_hours, small_profile

pytestmark = pytest.mark.django_db
SHORT_ROLL = {"width_mm": 30.0, "caliper_mm": 0.1, "roll_m": 1.0}  # 2,000 columns, a little over 8 turns
DAILY_BLADE = {"head_to_knife_mm": 10.0, "cuts_per_blade": 36}  # three days of 12 strips


def command(days: float = 20.0, **fields: Any) -> PlanRun:
    return structure(run_order(**{"ends_at": (NOON + timedelta(days=days)).isoformat()} | fields), PlanRun)


def told(days: float = 20.0, **fields: Any) -> RunCheck:
    return check_run(command(days, **fields), NOON, None)


def window(weekday: str, id: str = "rounds") -> None:
    comes = {"kind": "weekly", "weekday": weekday, "begins": "10:00", "ends": "11:30"}
    order(handlers.FixServiceWindow, id=id, venue="shed", name=id.title(), comes=comes)


def ends(check: RunCheck, part: str = "roll") -> list[int]:
    """Columns from the run's first."""
    return [one.end.column - check.first_column for one in check.ends if one.part == part]


def of_parts(check: RunCheck) -> list[str]:
    """What is warned of its rolls and blades."""
    return [one.in_words for one in check.warnings if one.kind in ("no-window", "bad-moment")]


def utc(*parts: int) -> datetime:
    return datetime(2026, *parts, tzinfo=UTC)  # type: ignore[arg-type, misc]


def test_a_run_that_its_supplies_outlast_has_nothing_to_warn_of() -> None:
    furnish()
    check = told(days=2)
    assert (check.run, check.ends, of_parts(check)) == ("first", (), [])
    columns = check.end_column - check.first_column
    assert (columns, check.paper_mm) == (pytest.approx(480, abs=1), columns * 0.5)
    assert check.cuts == 23  # of 24 strips, the last hangs between head and knife


def test_nothing_is_written() -> None:
    furnish(media=SHORT_ROLL)
    events = Event.objects.count()
    assert told().ends
    assert (Event.objects.count(), Run.objects.count()) == (events, 0)


def test_it_ends_where_the_forecast_of_the_planned_run_says(tmp_path: Any) -> None:
    furnish(media=SHORT_ROLL, knife=DAILY_BLADE)
    window("tuesday")
    check = told()
    plan(ends_at=(NOON + timedelta(days=20)).isoformat())
    run = forecast(machine_context(Machine.objects.get(), NOON), NOON, PlateStore(tmp_path)).run
    assert run is not None and run.roll_ends is not None
    first = {part: next(one.end for one in check.ends if one.part == part) for part in ("roll", "blade")}
    assert first == {"roll": run.roll_ends, "blade": run.blade_ends}
    assert (check.first_column, check.end_column) == (Run.objects.get().first_column, Run.objects.get().end_column)


def test_without_windows_each_roll_is_used_up_and_all_are_warned_of_in_one_sentence() -> None:
    furnish(media=SHORT_ROLL, knife=None)
    check = told(strips_per_turn=0)
    assert ends(check) == [2000, 4000]
    (warning,) = of_parts(check)
    assert warning.startswith("no service window before the roll ends at ")
    assert ": none is fixed at The shed" in warning and "(Europe/Lisbon)" in warning
    last = check.ends[-1].end.at.astimezone(ZoneInfo("Europe/Lisbon"))
    assert warning.endswith(f"; so it is with 2 rolls, the last {last:%Y-%m-%d %H:%M} (Europe/Lisbon)")


def test_a_roll_is_changed_in_time_and_the_next_is_counted_from_there() -> None:
    """Rolls of 8 days and 8 hours, changed on Fridays: 30 October, 6 November; the run is over on the 13th at noon."""
    furnish(media=SHORT_ROLL, knife=None)
    window("friday")
    check = told(strips_per_turn=0)
    assert of_parts(check) == []
    changes = [one.end.change for one in check.ends]
    assert [one.window.starts_at for one in changes if one.window] == [utc(10, 30, 10), utc(11, 6, 10)]
    first, second = ends(check)
    assert first == 2000
    # From noon on 24 October to 10:00 on the 30th it is 142 hours of 10 columns, but for the equation of time.
    assert second == pytest.approx(1420 + 2000, abs=2)


def test_what_is_printed_before_comes_off_the_roll(tmp_path: Any) -> None:
    furnish(media=SHORT_ROLL, knife=None)
    window("sunday")
    plan(strips_per_turn=0)  # 30 hours, 300 columns
    later = {"id": "second", "strips_per_turn": 0, "starts_at": utc(10, 26, 12).isoformat()}
    check = told(days=10, **later)
    assert ends(check) == [pytest.approx(1700, abs=1)]  # what is left of the roll when the first run is done
    assert check.ends[0].end.change.window is not None
    assert check.ends[0].end.change.window.starts_at == utc(11, 1, 10)
    extend_plans(NOON, timedelta(hours=60), PlateStore(tmp_path))  # which moves nothing
    assert told(days=10, **later) == check


def test_a_window_before_the_run_is_of_use_to_a_roll_that_is_not_new() -> None:
    furnish(media=SHORT_ROLL, knife=None)
    visit = {"kind": "once", "anchor": {"civil": "2026-10-25T10:00", "zone": "Europe/Lisbon"}, "minutes": 60}
    order(handlers.FixServiceWindow, id="visit", venue="shed", name="Visit", comes=visit)
    plan(strips_per_turn=0)
    check = told(days=11, id="second", strips_per_turn=0, starts_at=utc(10, 26, 12).isoformat())
    first, second = (one.end.change.window for one in check.ends)
    assert first is not None and first.window == "visit" and second is None
    # Of the 30 hours of the first run 8 are left after the visit, and come off the new roll.
    assert ends(check) == [pytest.approx(1700, abs=1), pytest.approx(2000 - 80, abs=2)]
    assert len(of_parts(check)) == 1


def test_in_a_window_of_days_a_roll_is_changed_again_as_it_ends() -> None:
    """A roll of two days and a half, and somebody there from the second day to the eighth."""
    furnish(media=SHORT_ROLL | {"roll_m": 0.3}, knife=None)
    begins = (NOON + timedelta(days=1)).strftime("%Y-%m-%dT%H:%M")
    visit = {"kind": "once", "anchor": {"civil": begins, "zone": "UTC"}, "minutes": 7 * 24 * 60}
    order(handlers.FixServiceWindow, id="visit", venue="shed", name="Visit", comes=visit)
    check = told(days=10, strips_per_turn=0)
    assert ends(check) == [600, *(pytest.approx(column, abs=1) for column in (840, 1440, 2040))]
    assert [one.end.change.window is not None for one in check.ends] == [True, True, True, False]
    assert len(of_parts(check)) == 1


def test_a_new_roll_gains_nothing_before_the_run_begins() -> None:
    """A window on Sunday, a run from Monday on with a new roll, that ends before the next Sunday."""
    furnish(media=SHORT_ROLL | {"roll_m": 0.5}, knife=None)
    window("sunday")
    check = told(days=5, strips_per_turn=0, starts_at=utc(10, 26, 12).isoformat())
    assert ends(check) == []
    longer = told(days=7, strips_per_turn=0, starts_at=utc(10, 26, 12).isoformat())
    assert ends(longer) == [1000]
    (warning,) = of_parts(longer)
    assert warning.startswith("no service window before the roll ends at 1")
    assert warning.endswith(" on 2026-10-30: the next is Rounds, between 10:00 and 11:30 on 2026-11-01 (Europe/Lisbon)")


def test_a_roll_that_is_used_up_before_is_followed_by_another() -> None:
    furnish(media=SHORT_ROLL, knife=None)
    plan(ends_at=(NOON + timedelta(days=9)).isoformat(), strips_per_turn=0)  # 2,160 columns
    check = told(days=20, id="second", strips_per_turn=0, starts_at=utc(11, 2, 13).isoformat())
    assert ends(check)[0] == pytest.approx(4000 - 2160, abs=2)


@pytest.mark.parametrize(("hours", "served"), [(0, 0), (25, 50), (49, 290), (50, 300), (65, 300)])
def test_of_a_run_that_has_waited_no_more_is_served_than_it_holds(hours: int, served: int) -> None:
    """30 hours of 10 columns, all of them 20 hours later."""
    furnish(knife=None)
    plan(strips_per_turn=0, cycle="period", cycle_options={"seconds": 86400, "epoch": NOON.isoformat()})
    run = Run.objects.get()
    run.shift_s, run.shifts, run.ends_at = 72000.0, [[run.first_column, 72000.0]], NOON + timedelta(hours=50)
    due = RemainingColumns.of_run(run, small_profile(), run_timeline, NOON, open_segments(run))
    assert Rolls.served_of(due, NOON + timedelta(hours=hours)) == served


def test_blades_are_counted_in_cuts() -> None:
    furnish(knife=DAILY_BLADE)
    check = told(days=7)
    # The run begins between two strips: its 36th cut is three turns on, less a part of a strip.
    assert ends(check, "blade") == [pytest.approx(36 * 20, abs=20), pytest.approx(72 * 20, abs=20)]
    window("sunday")
    changed = told(days=7)
    found = [one.end.change.window for one in changed.ends]
    assert found[0] is not None and found[0].starts_at == utc(10, 25, 10)
    assert ends(changed, "blade")[1] < ends(check, "blade")[1]


def test_openings_and_closed_doors_are_warned_of() -> None:
    furnish(media=SHORT_ROLL, knife=None)
    window("friday")
    evening = {"civil": "2026-11-01T23:30", "zone": "Europe/Lisbon"}
    order(handlers.FixOpening, id="late", venue="shed", name="The late show", anchor=evening)
    set_hours("shed", structure({"week": {"sunday": [{"opens": "10:00", "closes": "18:00"}]}}, Hours), by())
    (warning,) = of_parts(told(days=9, strips_per_turn=0))
    assert warning.startswith("the roll ends 2026-11-01 20:")
    assert warning.endswith(
        "on the day of The late show and while the venue is closed: change it before (Europe/Lisbon)"
    )


def test_no_more_ends_are_told_than_anybody_reads() -> None:
    furnish(media=SHORT_ROLL | {"roll_m": 0.1}, knife=None)
    check = told(days=40, strips_per_turn=0)
    assert len(check.ends) == 24
    assert "so it is with at least 24 rolls" in of_parts(check)[0]


def test_what_cannot_be_planned_is_refused_as_planning_it_would_be() -> None:
    furnish(knife=None)
    with pytest.raises(InputError) as refused:
        told()
    assert refused.value.field == "strips_per_turn"


def test_an_id_that_a_run_has_or_had_is_refused_as_planning_it_would_be(tmp_path: Path) -> None:
    furnish()
    plan()
    later = command(id="first", starts_at=utc(11, 2, 12).isoformat(), ends_at=utc(11, 3, 12).isoformat())
    for attempt in (lambda: check_run(later, NOON, None), lambda: handlers.handle(later, by())):
        with pytest.raises(handlers.IdInUse, match="there is a run 'first' already"):
            attempt()
    close_streams(["run/first"], tmp_path / "closed", by(), key=None)
    for attempt in (lambda: check_run(later, NOON, None), lambda: handlers.handle(later, by())):
        with pytest.raises(InputError, match="run/first was closed into an archive"):
            attempt()


def test_the_questions_to_the_database_do_not_grow_with_the_runs_that_are_over() -> None:
    furnish(media=SHORT_ROLL)
    with CaptureQueriesContext(connection) as alone:
        told(days=10, id="later", starts_at=utc(11, 20, 12).isoformat(), ends_at=utc(11, 29, 12).isoformat())
    for number in range(3):
        begins = NOON + timedelta(days=2 * number)
        plan(id=f"over-{number}", starts_at=begins.isoformat(), ends_at=(begins + timedelta(days=1)).isoformat())
    Run.objects.update(printed=F("end_column") - F("first_column"), planned_to_column=F("end_column"))
    with CaptureQueriesContext(connection) as after:
        told(days=10, id="later", starts_at=utc(11, 20, 12).isoformat(), ends_at=utc(11, 29, 12).isoformat())
    assert len(after) == len(alone)


@settings(suppress_health_check=(HealthCheck.function_scoped_fixture,), deadline=None, max_examples=25)
@given(
    weekdays=st.lists(st.sampled_from(get_args(Weekday)), max_size=3, unique=True),
    days=st.integers(3, 30),
    begins=st.integers(0, 72),
)
def test_changed_as_it_says_paper_runs_out_only_where_it_warns(weekdays: list[str], days: int, begins: int) -> None:
    """Column by column with a counter: new in each window that is named, and where there is none once it is empty."""
    if not Venue.objects.exists():
        furnish(media=SHORT_ROLL | {"roll_m": 0.6}, knife=None)  # 1,200 columns, five days
    fixed = [
        ServiceWindowFixed(
            venue="shed", name=day, comes=Weekly(weekday=day, begins="10:00", ends="11:30"), begins_at=None
        )
        for day in get_args(Weekday)
    ]
    off = [ServiceWindowCalledOff()]
    append([Append(f"service/{one.name}", None, [one, *([] if one.name in weekdays else off)]) for one in fixed], by())
    starts_at = NOON + timedelta(hours=begins)
    check = told(days=days + 3, strips_per_turn=0, starts_at=starts_at.isoformat())
    cycle = cycle_named("apparent-solar-day", {}, place=venue_place(venue="shed"))
    instants = cycle.instants(np.arange(check.first_column, check.end_column) / 240)
    changes = [one.end.change.window.starts_at.timestamp() for one in check.ends if one.end.change.window]
    left, empty = 1200, []
    for column, at in enumerate(instants, check.first_column):
        while changes and changes[0] <= at:
            left = 1200
            changes.pop(0)
        if left == 0:
            empty.append(column)
            left = 1200
        left -= 1
    assert empty == [one.end.column for one in check.ends if one.end.change.window is None]
    assert len(of_parts(check)) == min(1, len(empty))
    untils = [(one.end.change.until, one.end.at) for one in check.ends]
    assert all(until is None or until <= at for until, at in untils)
    assert [at for _, at in untils] == sorted(at for _, at in untils)
