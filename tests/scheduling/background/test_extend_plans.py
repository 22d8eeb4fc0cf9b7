"""Planning turn by turn, as far as the horizon, the same whenever it is done."""

from __future__ import annotations

from collections.abc import Callable
from contextlib import nullcontext
from datetime import timedelta
from itertools import pairwise
from pathlib import Path

import numpy as np
import pytest
from django.db import connection
from django.db.models import F
from django.test.utils import CaptureQueriesContext

from machines.serialization import parse_instant
from scheduling.background import extend_plans as extend
from scheduling.background.extend_plans import extend_plans, extend_run, runs_due
from scheduling.commands.additions import AddMachine
from scheduling.log.beside import keep_planned, keep_unplanned
from scheduling.log.claims import claimed
from scheduling.log.models import Event, Run, Segment
from scheduling.queries.runs import segment_work
from scheduling.rendering.plate_store import PlateStore
from tests.scheduling.house import MOON, NOON, furnish, order, plan, run_timeline
from tests.scheduling.rendering.test_atomic_files import room_for

pytestmark = pytest.mark.django_db
WEEK = timedelta(days=8)


def rows() -> list[tuple[int, int, int, object, str]]:
    return [(s.number, s.first_column, s.end_column, s.knots, s.plate) for s in Segment.objects.order_by("number")]


def test_the_segments_hold_the_columns_of_the_run_once(tmp_path: Path) -> None:
    furnish()
    plan()
    added = extend_plans(NOON, WEEK, PlateStore(tmp_path))
    run, found = Run.objects.get(), rows()
    assert added == len(found) == 61  # 30 hours of half-hours, the first and the last clipped
    assert found[0][1] == run.first_column
    assert found[-1][2] == run.end_column == run.planned_to_column
    assert all(before[2] == after[1] for before, after in pairwise(found))


def test_planning_again_adds_nothing(tmp_path: Path) -> None:
    furnish()
    plan()
    extend_plans(NOON, WEEK, PlateStore(tmp_path))
    events = Event.objects.count()
    assert extend_plans(NOON + timedelta(hours=1), WEEK, PlateStore(tmp_path)) == 0
    assert Event.objects.count() == events


@pytest.mark.parametrize("machines", [1, 4])
def test_of_runs_that_are_planned_far_enough_nothing_more_is_read(tmp_path: Path, machines: int) -> None:
    """However many there are."""
    furnish()
    for number in range(machines):
        if number:
            order(AddMachine, id=f"m{number}", name=f"M{number}", venue="shed", profile="small")
        on = {"id": f"run-{number}", "machine": f"m{number}"} if number else {}
        plan(ends_at=(NOON + timedelta(days=30)).isoformat(), **on)
    plates = PlateStore(tmp_path)
    assert extend_plans(NOON, WEEK, plates) > 0
    with CaptureQueriesContext(connection) as asked:
        assert extend_plans(NOON + timedelta(minutes=1), WEEK, plates) == 0
    assert len(asked) == 2  # which views are set aside, and which runs are due
    assert extend_plans(NOON + timedelta(days=1), WEEK, plates) == 48 * machines


def test_planning_hour_by_hour_gives_what_planning_at_once_gives(tmp_path: Path) -> None:
    furnish()
    plan(ends_at=(NOON + timedelta(days=4)).isoformat())
    plan(
        id="second",
        starts_at=(NOON + timedelta(days=4)).isoformat(),
        ends_at=(NOON + timedelta(days=4, hours=6)).isoformat(),
    )
    for hour in range(0, 120, 5):
        extend_plans(NOON + timedelta(hours=hour), timedelta(hours=6), PlateStore(tmp_path / "a"))
    step_by_step = rows()
    plan_at_once(tmp_path)
    assert rows() == step_by_step


def plan_at_once(folder: Path) -> None:
    """The same runs as if nobody had planned them yet, planned in one go."""
    Segment.objects.all().delete()
    Run.objects.update(planned_to_column=F("first_column"))
    extend_plans(NOON, timedelta(days=30), PlateStore(folder / "b"))


def test_only_turns_within_the_horizon_are_planned(tmp_path: Path) -> None:
    furnish()
    plan(ends_at=(NOON + timedelta(days=10)).isoformat())
    extend_plans(NOON, timedelta(hours=30), PlateStore(tmp_path))
    last = Segment.objects.order_by("number").last()
    assert last is not None
    assert timedelta(hours=30) <= last.ends_at - NOON <= timedelta(hours=60)


def test_a_run_beyond_the_horizon_waits(tmp_path: Path) -> None:
    furnish()
    plan()
    assert extend_plans(NOON - timedelta(days=30), WEEK, PlateStore(tmp_path)) == 0


def test_a_picture_that_does_not_change_has_one_plate_and_the_moon_one_a_turn(tmp_path: Path) -> None:
    furnish()
    plan(ends_at=(NOON + timedelta(days=3)).isoformat())
    extend_plans(NOON, WEEK, PlateStore(tmp_path))
    assert Segment.objects.values("plate").distinct().count() == 1


def test_the_moon_has_a_plate_of_its_own_each_turn(tmp_path: Path) -> None:
    furnish(MOON)
    plan(cycle="lunar-day", ends_at=(NOON + timedelta(days=2)).isoformat())
    plates = PlateStore(tmp_path)
    extend_plans(NOON, WEEK, plates)
    turns = {segment.first_column // 240 for segment in Segment.objects.all()}
    digests = set(Segment.objects.values_list("plate", flat=True))
    assert len(digests) == len(turns) >= 3
    assert all(plates.get(digest).digest == digest for digest in digests)


def test_a_segment_starts_at_the_instant_of_its_first_column(tmp_path: Path) -> None:
    furnish()
    plan()
    extend_plans(NOON, WEEK, PlateStore(tmp_path))
    timeline = run_timeline(Run.objects.get())
    for segment in Segment.objects.all():
        columns = np.arange(segment.first_column, segment.end_column + 1)
        off_s = np.abs(segment_work(segment).instants(columns) - timeline.instants(columns))
        assert off_s.max() < 0.02 * 360.0  # two hundredths of the 360 s of a column
        assert abs(segment.starts_at.timestamp() - timeline.instants(columns[:1])[0]) < 1e-5


def planned_alone(tmp_path: Path) -> list[tuple[int, int, int, object, str]]:
    """What one planner plans of the run, with the rows as they were put back afterwards."""
    plan_at_once(tmp_path)
    return rows()


@pytest.mark.parametrize("moment", ["plate_under", "stream_version"])
def test_another_planner_at_once_changes_nothing(tmp_path: Path, monkeypatch: pytest.MonkeyPatch, moment: str) -> None:
    """It plans the same run from beginning to end while this one draws, or when this one has looked at the log: as it
    may where the claim of either was lost with its connection."""
    monkeypatch.setattr(extend, "claimed", lambda what: nullcontext(True))
    furnish(MOON)
    plan(cycle="lunar-day", ends_at=(NOON + timedelta(days=3)).isoformat())
    plates, usual = PlateStore(tmp_path / "plates"), getattr(extend, moment)
    other: list[int] = []

    def interrupted(*given: object) -> object:
        found = usual(*given)
        monkeypatch.setattr(extend, moment, usual)
        other.append(extend_plans(NOON, WEEK, plates))
        return found

    monkeypatch.setattr(extend, moment, interrupted)
    assert extend_plans(NOON, WEEK, plates) == 0
    assert other == [len(rows())]
    assert Event.objects.filter(kind="segments-planned").count() == len({row[1] // 240 for row in rows()})
    assert rows() == planned_alone(tmp_path)


def test_a_run_that_somebody_else_is_planning_is_left_to_them(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """No plate is drawn twice; another run does not wait."""
    furnish(MOON)
    order(AddMachine, id="two", name="Two", venue="shed", profile="small")
    plan(cycle="lunar-day", ends_at=(NOON + timedelta(days=2)).isoformat())
    plan(id="second", machine="two")
    drawn: list[str] = []
    usual = extend._plate
    monkeypatch.setattr(extend, "_plate", lambda printing, turn: drawn.append(printing.run.id) or usual(printing, turn))
    plates = PlateStore(tmp_path)
    with claimed("plan first"):
        assert extend_run("first", NOON, WEEK, plates) is None
        assert extend_plans(NOON, WEEK, plates) > 0
        assert set(drawn) == {"second"}
    drawn.clear()
    assert extend_plans(NOON, WEEK, plates) > 0
    assert set(drawn) == {"first"}


def test_a_run_that_was_called_off_since_it_was_due_is_not_planned(tmp_path: Path) -> None:
    furnish()
    plan()
    assert runs_due(NOON, WEEK) == ["first"]
    Run.objects.update(withdrawn_at=NOON)
    assert extend_run("first", NOON, WEEK, PlateStore(tmp_path)) == 0
    assert runs_due(NOON, WEEK) == []
    assert not Segment.objects.exists()


def test_when_the_disk_is_full_nothing_is_planned_and_later_all_is(tmp_path: Path) -> None:
    furnish(MOON)
    plan(cycle="lunar-day", ends_at=(NOON + timedelta(days=3)).isoformat())
    plates = PlateStore(tmp_path / "plates")
    with room_for(50), pytest.raises(ExceptionGroup, match="1 runs could not be planned; 0 segments"):
        extend_plans(NOON, WEEK, plates)
    assert not Segment.objects.exists()
    assert [path for path in plates.place.rglob("*") if path.is_file()] == []
    assert extend_plans(NOON, WEEK, plates) == len(rows())
    assert all(plates.has(row[4]) for row in rows())


def test_a_run_of_very_short_turns_is_planned_some_at_a_time(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(extend, "MOST_TURNS", 2)
    furnish()
    order(AddMachine, id="two", name="Two", venue="shed", profile="small")
    plan(ends_at=(NOON + timedelta(days=6)).isoformat())
    plan(id="second", machine="two")
    added = []
    while extended := extend_plans(NOON, WEEK, PlateStore(tmp_path)):
        added.append(extended)
    assert len(added) == 4
    assert added[0] > max(added[1:])  # the other run did not wait
    ends = dict(Run.objects.values_list("id", "end_column"))
    assert dict(Run.objects.values_list("id", "planned_to_column")) == ends


def after(times: int) -> Callable[[], bool]:
    """That there is time for so many more, and then for none."""
    left = iter([True] * times)
    return lambda: next(left, False)


def test_where_there_is_no_more_time_what_is_left_comes_the_next_time(tmp_path: Path) -> None:
    """And the run whose next turn begins first comes first, so that each has its turn."""
    furnish(MOON)
    order(AddMachine, id="two", name="Two", venue="shed", profile="small")
    said = {"cycle": "lunar-day", "ends_at": (NOON + timedelta(days=3)).isoformat()}
    plan(**said)
    plan(id="second", machine="two", starts_at=(NOON + timedelta(hours=30)).isoformat(), **said)
    plates, planned = PlateStore(tmp_path), []
    while extend_plans(NOON, WEEK, plates, None, after(0)):
        newest = Event.objects.order_by("-position")[0]
        planned.append(newest.stream.removeprefix("run/"))
    turns = Event.objects.filter(kind="segments-planned").count()
    assert len(planned) == turns, "one turn at a time, however little time there is"
    assert (
        planned[:2] == ["first", "first"]
        and "second" in planned[2:-1]
        and "first" in planned[planned.index("second") :]
    )
    assert [one.planned_to_column for one in Run.objects.all()] == [one.end_column for one in Run.objects.all()]


def test_a_run_is_planned_for_as_long_as_there_is_time(tmp_path: Path) -> None:
    furnish(MOON)
    plan(cycle="lunar-day", ends_at=(NOON + timedelta(days=6)).isoformat())
    plates = PlateStore(tmp_path)
    assert extend_run("first", NOON, WEEK, plates, None, after(2))
    assert Event.objects.filter(kind="segments-planned").count() == 3
    assert runs_due(NOON, WEEK) == ["first"]
    assert extend_run("first", NOON, WEEK, plates)
    assert runs_due(NOON, WEEK) == []


def test_a_run_that_cannot_be_planned_does_not_hold_up_the_others(tmp_path: Path) -> None:
    furnish()
    plan()
    order(AddMachine, id="two", name="Two", venue="shed", profile="small")
    plan(id="second", machine="two")
    Run.objects.filter(id="first").update(cycle="fortnight")
    told: dict[str, Exception | None] = {}
    with pytest.raises(ExceptionGroup, match="1 runs could not be planned") as caught:
        extend_plans(NOON, WEEK, PlateStore(tmp_path), tell=told.__setitem__)
    assert told == {"first": caught.value.exceptions[0], "second": None}
    assert caught.value.exceptions[0].__notes__ == ["while planning run 'first'"]
    assert set(Segment.objects.values_list("run_id", flat=True)) == {"second"}


def test_a_run_that_could_not_be_planned_comes_last_the_next_time(tmp_path: Path) -> None:
    """However little time there is, the others have their turn."""
    furnish()
    order(AddMachine, id="two", name="Two", venue="shed", profile="small")
    plan()
    plan(id="second", machine="two", starts_at=(NOON + timedelta(hours=1)).isoformat())
    assert runs_due(NOON, WEEK) == ["first", "second"]
    keep_unplanned("first", NOON)
    assert runs_due(NOON, WEEK) == ["second", "first"]
    keep_planned("first")
    assert runs_due(NOON, WEEK) == ["first", "second"]


def test_a_run_whose_timeline_waited_is_planned_as_if_it_had_not_and_no_further_ahead(tmp_path: Path) -> None:
    """What is a day ahead by a timeline that waited a day is due already by one that did not."""
    day_s = 86400.0
    furnish()
    options = {"seconds": day_s, "epoch": NOON.isoformat()}
    plan(cycle="period", cycle_options=options, ends_at=(NOON + timedelta(days=6)).isoformat())
    plates = PlateStore(tmp_path)
    extend_plans(NOON, timedelta(days=1), plates)
    planned = Run.objects.get().planned_to_column
    Run.objects.update(shift_s=day_s, shifts=[[planned, day_s]])
    assert extend_plans(NOON + timedelta(hours=23), timedelta(days=1), plates) == 0
    assert extend_plans(NOON + timedelta(hours=25), timedelta(days=1), plates) > 0
    first = Segment.objects.filter(first_column__gte=planned).order_by("number")[0]
    assert first.starts_at == parse_instant(first.knots[0]) + timedelta(days=1)
