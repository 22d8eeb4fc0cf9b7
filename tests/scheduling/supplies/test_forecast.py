"""Paper, ink and blades of a run, counted from what was printed and from the plates of what is to come."""

from __future__ import annotations

import shutil
from datetime import timedelta
from pathlib import Path

import pytest

from machines.model.profile import IdleFiring
from scheduling.background.extend_plans import extend_plans
from scheduling.log.models import Machine, Run, Segment
from scheduling.nodes.reports import take
from scheduling.planning.quiet_hours import QuietHours, QuietSpan, QuietWeek
from scheduling.queries.machine_context import machine_context
from scheduling.rendering.plate_store import PlateGone, PlateStore
from scheduling.supplies.consumption import part_supplies
from scheduling.supplies.forecast import Forecast, RunForecast, forecast
from tests.scheduling.house import (
    MOON,
    NOON,
    batch,
    by,
    end_run_after,
    furnish,
    long_after,
    plan,
    printed,
    ready,
    run_timeline,
    set_quiet_hours,
)
from tests.scheduling.paper.test_printed_paper import segment, tell

pytestmark = pytest.mark.django_db
ML_PER_DOT = 2 * 10.0e-9  # two passes of drops of 10 pl


def told(plates: PlateStore, hours: float = 0.0, idle: IdleFiring | None = None) -> Forecast:
    return forecast(machine_context(Machine.objects.get(), NOON), NOON + timedelta(hours=hours), plates, idle)


def of_run(plates: PlateStore, hours: float = 0.0, idle: IdleFiring | None = None) -> RunForecast:
    found = told(plates, hours, idle).run
    assert found is not None
    return found


def dots_in(plates: PlateStore, first: int, end: int) -> int:
    """Of running columns, by the one plate of the run."""
    return int(plates.get(Segment.objects.values_list("plate", flat=True)[0]).running(first, end).sum())


def test_a_run_that_has_not_begun_will_use_all_of_it(tmp_path: Path) -> None:
    plates, run = ready(tmp_path), Run.objects.get()
    found, columns = of_run(plates), run.end_column - run.first_column
    assert (found.id, found.next_column, found.estimated_columns) == ("first", run.first_column, 0)
    assert (found.used.paper_mm, found.used.picture_ml, found.used.cuts) == (0.0, 0.0, 0)
    assert found.to_come.paper_mm == columns * 0.5
    assert found.to_come.picture_ml == pytest.approx(dots_in(plates, run.first_column, run.end_column) * ML_PER_DOT)
    assert found.to_come.idle_ml is None
    assert found.roll_ends is None  # 150 mm of a roll of 10 m


def test_what_is_printed_moves_from_to_come_to_used(tmp_path: Path) -> None:
    plates, run = ready(tmp_path), Run.objects.get()
    whole = of_run(plates).to_come
    (a, b), (_, c) = segment(0), segment(1)
    tell((a, b, 0), (b, c, b))
    found = of_run(plates, hours=3)
    assert found.next_column == run.first_column + c
    assert found.used.paper_mm == c * 0.5
    assert found.used.picture_ml == pytest.approx(dots_in(plates, run.first_column, run.first_column + c) * ML_PER_DOT)
    for name in ("paper_mm", "picture_ml"):
        assert getattr(found.used, name) + getattr(found.to_come, name) == pytest.approx(getattr(whole, name))


def test_idle_firing_stands_apart_and_goes_by_the_time(tmp_path: Path) -> None:
    plates = ready(tmp_path)
    found = of_run(plates, hours=10, idle=IdleFiring(drops=50, every_s=600.0))
    # Eight nozzles of 10 pl, 50 drops six times an hour; 10 of the run's 30 hours have passed.
    per_hour = 8 * 10.0e-9 * 50 * 6
    assert found.used.idle_ml == pytest.approx(10 * per_hour)
    assert found.to_come.idle_ml == pytest.approx(20 * per_hour)
    assert found.to_come.picture_ml == of_run(plates, hours=10).to_come.picture_ml


def test_cuts_are_those_whose_place_comes_to_the_knife(tmp_path: Path) -> None:
    plates, run = ready(tmp_path), Run.objects.get()
    # Strips of 20 columns; the knife stands 20 columns beyond the head.
    in_time = [column for column in range(run.first_column, run.end_column - 20) if column % 20 == 0]
    found = of_run(plates)
    assert found.to_come.cuts == len(in_time)
    assert found.to_come.blades == len(in_time) / 100
    blade = told(plates).blade
    assert blade is not None and (blade.cuts_made, blade.cuts_per_blade, blade.blades_worn) == (0, 100, 0.0)


def test_columns_without_a_plate_are_taken_to_be_as_dark_as_the_others(tmp_path: Path) -> None:
    furnish()
    plan(ends_at=(NOON + timedelta(days=20)).isoformat())
    plates = PlateStore(tmp_path)
    nothing_drawn = of_run(plates)
    assert nothing_drawn.to_come.picture_ml is None and nothing_drawn.per_turn.picture_ml is None
    assert nothing_drawn.to_come.paper_mm == pytest.approx(20 * 120.0, abs=1)
    extend_plans(NOON, timedelta(hours=40), plates)
    some_drawn = of_run(plates)
    extend_plans(NOON, timedelta(days=30), plates)
    all_drawn = of_run(plates)
    assert some_drawn.estimated_columns > 3000 and all_drawn.estimated_columns == 0
    assert some_drawn.to_come.picture_ml == pytest.approx(all_drawn.to_come.picture_ml, rel=0.1)


def test_a_moon_is_counted_from_the_plate_of_each_turn(tmp_path: Path) -> None:
    furnish(MOON)
    plan(cycle="lunar-day", ends_at=(NOON + timedelta(days=4)).isoformat())
    plates = PlateStore(tmp_path)
    extend_plans(NOON, timedelta(days=8), plates)
    dots = sum(
        int(plates.get(one.plate).running(one.first_column, one.end_column).sum()) for one in Segment.objects.all()
    )
    assert Segment.objects.values("plate").distinct().count() > 3
    assert of_run(plates).to_come.picture_ml == pytest.approx(dots * ML_PER_DOT)


def test_turns_whose_plates_are_gone_are_taken_to_be_as_dark_as_the_others(tmp_path: Path) -> None:
    furnish(MOON)
    plan(cycle="lunar-day", ends_at=(NOON + timedelta(days=4)).isoformat())
    whole, some = PlateStore(tmp_path / "whole"), PlateStore(tmp_path / "some")
    extend_plans(NOON, timedelta(days=8), whole)
    shutil.copytree(tmp_path / "whole", tmp_path / "some")
    (lost,) = (tmp_path / "some").rglob(f"{Segment.objects.order_by('number')[0].plate}.png")
    lost.unlink()
    assert of_run(some).to_come.picture_ml == pytest.approx(of_run(whole).to_come.picture_ml, rel=0.05)
    assert of_run(some).to_come.picture_ml != of_run(whole).to_come.picture_ml
    with pytest.raises(PlateGone):
        of_run(PlateStore(tmp_path / "none"))


def test_the_turn_that_ends_the_roll_and_when(tmp_path: Path) -> None:
    furnish(media={"width_mm": 30.0, "caliper_mm": 0.1, "roll_m": 1.0})
    plan(ends_at=(NOON + timedelta(days=20)).isoformat())
    plates, run = PlateStore(tmp_path), Run.objects.get()
    ends = of_run(plates).roll_ends
    assert ends is not None
    assert ends.column == run.first_column + 2000  # a metre of 0.5 mm
    assert ends.turn == ends.column // 240
    assert ends.at.timestamp() == pytest.approx(run_timeline(run).instants(ends.column)[()], abs=1e-3)
    # 8 turns of 120 mm and 40 mm: 8 days and 8 hours of an apparent day, minutes from a mean one.
    assert abs((ends.at - NOON) - timedelta(hours=200)) < timedelta(minutes=10)


def test_the_paper_that_was_fed_is_off_the_roll(tmp_path: Path) -> None:
    plates = ready(tmp_path)
    (a, b), _ = segment(0), segment(1)
    tell((a, b, 3000))
    roll = told(plates).roll
    assert (roll.number, roll.length_m) == (1, 10.0)
    assert roll.left_m == pytest.approx(10.0 - (3000 + b - a) * 0.0005)


def test_a_machine_without_a_run_has_a_roll_and_a_blade(tmp_path: Path) -> None:
    furnish()
    found = told(PlateStore(tmp_path))
    assert found.run is None and found.roll.left_m == 10.0 and found.blade is not None


def test_a_machine_without_a_knife_has_no_blade(tmp_path: Path) -> None:
    furnish(knife=None)
    plan(strips_per_turn=0)
    found = told(PlateStore(tmp_path))
    assert found.blade is None and found.run is not None and found.run.to_come.cuts == 0


def test_a_run_that_is_over_is_told_of_no_more(tmp_path: Path) -> None:
    plates = ready(tmp_path)
    first = Run.objects.get().first_column
    segments = Segment.objects.order_by("number")
    entries = [
        printed(
            seq,
            one.number,
            one.first_column,
            one.end_column,
            one.end_column - one.first_column,
            one.first_column - first,
        )
        for seq, one in enumerate(segments, 1)
    ]
    take("one", batch(*entries), long_after())
    assert told(plates, hours=31).run is None


def test_a_turn_is_what_its_plate_is(tmp_path: Path) -> None:
    plates = ready(tmp_path, ends_at=(NOON + timedelta(days=4)).isoformat())
    turn = of_run(plates, idle=IdleFiring(drops=50, every_s=600.0)).per_turn
    dots = dots_in(plates, 0, 240)
    assert (turn.paper_mm, turn.cuts, turn.blades) == (120.0, 12, 0.12)
    # The run holds four turns, a few columns more or less.
    assert turn.picture_ml == pytest.approx(dots * ML_PER_DOT, rel=0.01)
    assert turn.idle_ml == pytest.approx(24 * 8 * 10.0e-9 * 50 * 6)


def test_blank_paper_and_what_is_printed_twice_are_used_up_too(tmp_path: Path) -> None:
    plates, run = ready(tmp_path), Run.objects.get()
    (a, b), (c, d), _ = segment(0), segment(2), segment(3)
    tell((a, b, 0), (c, d, c - a), (c, d, d - a))
    found = of_run(plates, hours=5)
    assert found.used.paper_mm == (d - a + d - c) * 0.5
    dots = dots_in(plates, run.first_column + a, run.first_column + b)
    dots += 2 * dots_in(plates, run.first_column + c, run.first_column + d)
    assert found.used.picture_ml == pytest.approx(dots * ML_PER_DOT)


def test_the_roll_ends_earlier_where_something_is_printed_once_more(tmp_path: Path) -> None:
    furnish(media={"width_mm": 30.0, "caliper_mm": 0.1, "roll_m": 1.0})
    plan(ends_at=(NOON + timedelta(days=20)).isoformat())
    plates, run = PlateStore(tmp_path), Run.objects.get()
    extend_plans(NOON, timedelta(hours=40), plates)
    Machine.objects.update(epoch=1)
    (a, b), _ = segment(0), segment(1)
    tell((a, b, 0))
    once = of_run(plates, hours=2)
    assert once.next_column == run.first_column + b
    assert once.roll_ends is not None and once.roll_ends.column == run.first_column + 2000
    Segment.objects.filter(first_column=run.first_column).update(again=[[run.first_column, run.first_column + b]])
    twice = of_run(plates, hours=2)
    assert twice.next_column == run.first_column
    assert twice.roll_ends is not None and twice.roll_ends.column == run.first_column + 2000 - b
    assert twice.per_turn == once.per_turn


def test_what_is_to_be_printed_once_more_is_still_to_come(tmp_path: Path) -> None:
    plates, run = ready(tmp_path), Run.objects.get()
    (a, b), _ = segment(0), segment(1)
    tell((a, b, 0))
    before = of_run(plates, hours=2).to_come
    one = Segment.objects.order_by("number")[0]
    one.again = [[one.first_column + 1, one.end_column]]
    one.save()
    after = of_run(plates, hours=2).to_come
    assert after.paper_mm - before.paper_mm == pytest.approx((b - a - 1) * 0.5)
    dots = dots_in(plates, run.first_column + a + 1, run.first_column + b)
    assert (after.picture_ml or 0.0) - (before.picture_ml or 0.0) == pytest.approx(dots * ML_PER_DOT)


def test_what_a_run_was_planned_beyond_its_end_is_not_to_come(tmp_path: Path) -> None:
    plates = ready(tmp_path)
    end_run_after(13.3)
    run = Run.objects.get()
    assert run.end_column < run.planned_to_column
    found = of_run(plates)
    assert found.estimated_columns == 0
    assert found.to_come.paper_mm == (run.end_column - run.first_column) * 0.5
    assert found.to_come.picture_ml == pytest.approx(dots_in(plates, run.first_column, run.end_column) * ML_PER_DOT)


def test_what_is_quiet_is_neither_cut_nor_fired_idly(tmp_path: Path) -> None:
    """Thirty hours from 13:00 there, of which it is quiet from 20:00 to 08:00, an hour longer as clocks change."""
    plates = ready(tmp_path)
    idle = IdleFiring(drops=50, every_s=600.0)
    before, run = of_run(plates, hours=10, idle=idle), Run.objects.get()
    night = QuietSpan(begins="20:00", ends="08:00")
    set_quiet_hours("shed", QuietHours(week=QuietWeek(saturday=(night,))), by())
    after = of_run(plates, hours=10, idle=idle)
    per_hour = (before.used.idle_ml or 0.0) / 10
    assert after.used.idle_ml == pytest.approx(7 * per_hour)
    assert after.to_come.idle_ml == pytest.approx(10 * per_hour, rel=1e-3)
    assert after.to_come.cuts < before.to_come.cuts
    whole = part_supplies(machine_context(Machine.objects.get(), NOON), run, plates, idle)
    assert whole.supplies.idle_ml == pytest.approx(17 * per_hour, rel=1e-3)
    assert whole.supplies.cuts < run.strips_per_turn * 30 // 24
