"""A machine is read once, with others as with none, and is what reading it by itself gives."""

from __future__ import annotations

from collections.abc import Iterable
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from django.db import connection
from django.test.utils import CaptureQueriesContext

from scheduling.commands import handlers
from scheduling.log.models import HandUse, Heartbeat, Machine, Run, Segment, Strip, SupplyChange
from scheduling.queries.calibration import calibrated_profile
from scheduling.queries.cuts import cuts_since_blade
from scheduling.queries.machine_context import MachineContext, machine_context, machine_contexts
from scheduling.queries.runs import current_run, knife_is_armed, machine_profile, open_segments
from tests.scheduling.house import NOON, order, plan, ready, run_timeline

pytestmark = pytest.mark.django_db
HOURS = (-1, 1, 20, 40, 60)


@pytest.fixture(autouse=True)
def _two_machines(tmp_path: Path) -> None:
    """One prints and has a run to come; the other has only runs to come."""
    ready(tmp_path)
    order(handlers.AddMachine, id="two", name="Two", venue="shed", profile="small")
    for id, machine, day in (("second", "one", 2), ("third", "two", 1), ("fourth", "two", 3)):
        begins = NOON + timedelta(days=day)
        plan(id=id, machine=machine, starts_at=begins.isoformat(), ends_at=(begins + timedelta(hours=30)).isoformat())
    Heartbeat.objects.create(machine_id="one", heard_at=NOON, status={"knife_armed": False})


def both(hours: float = 1.0) -> tuple[MachineContext, ...]:
    return machine_contexts(Machine.objects.order_by("id"), NOON + timedelta(hours=hours))


def id_of(run: Run | None) -> str | None:
    return None if run is None else run.id


@pytest.mark.parametrize("hours", HOURS)
def test_its_runs_are_those_that_are_read_one_by_one(hours: int) -> None:
    Run.objects.filter(id="third").update(printed=10_000)  # accounted for before it began, as nobody should
    for seen in both(hours):
        now, ever = NOON + timedelta(hours=hours), datetime.max.replace(tzinfo=UTC)
        later = Run.objects.filter(machine_id=seen.machine.id, starts_at__gt=now).order_by("starts_at").first()
        on = current_run(machine=seen.machine.id, before=now)
        assert id_of(seen.run) == id_of(on)
        assert id_of(seen.run_or_next) == id_of(on or later)
        assert id_of(seen.run_to_come) == id_of(current_run(machine=seen.machine.id, before=ever))


def test_its_profile_timeline_and_open_segments_are_those_that_are_read_one_by_one() -> None:
    for seen in both():
        run = seen.run_to_come
        assert run is not None
        assert seen.model == machine_profile(profile="small")
        assert seen.profile == calibrated_profile(seen.machine)
        assert seen.knife_is_armed == knife_is_armed(seen.machine)
        columns = np.array([run.first_column, run.end_column])
        assert seen.timeline(run).instants(columns).tolist() == run_timeline(run).instants(columns).tolist()
        assert open_columns(seen.segments_to_come) == open_columns(open_segments(run))


def open_columns(segments: Iterable[Segment]) -> list[int]:
    return [column for one in segments for column in range(one.first_column, one.end_column)]


def test_open_segments_of_which_nothing_was_told_are_one_where_they_lie_side_by_side() -> None:
    of_first = Segment.objects.filter(run_id="first").order_by("number")
    whole, begun, again, gone = of_first[0], of_first[2], of_first[4], of_first[6]
    for one, outcomes in ((whole, whole.end_column), (begun, begun.first_column + 1)):
        told = [[one.first_column, outcomes, "printed"]]
        Segment.objects.filter(pk=one.pk).update(printed=outcomes - one.first_column, outcomes=told)
    Segment.objects.filter(pk=again.pk).update(again=[[again.first_column, again.end_column]])
    Segment.objects.filter(pk=gone.pk).update(state=Segment.WITHDRAWN)
    seen, _ = both()
    read, last = seen.segments_to_come, of_first.last()
    assert last is not None and open_columns(read) == open_columns(open_segments(Run.objects.get(id="first")))
    assert [(one.first_column, one.end_column) for one in read] == [
        (whole.end_column, begun.first_column),
        (begun.first_column, begun.end_column),
        (begun.end_column, again.first_column),
        (again.first_column, again.end_column),
        (again.end_column, gone.first_column),
        (gone.end_column, last.end_column),
    ]
    assert [bool(one.outcomes) for one in read] == [False, True, False, False, False, False]
    assert [bool(one.again) for one in read] == [False, False, False, True, False, False]


def test_three_are_read_as_often_as_two() -> None:
    def read() -> int:
        machines = list(Machine.objects.all())
        with CaptureQueriesContext(connection) as queries:
            for seen in machine_contexts(machines, NOON + timedelta(hours=1)):
                _everything(seen)
        return len(queries)

    of_two = read()
    order(handlers.AddMachine, id="three", name="Three", venue="shed", profile="small")
    plan(id="fifth", machine="three")
    assert read() == of_two == 15


def _everything(seen: MachineContext) -> list[Any]:
    group = seen.group
    return [
        seen.venue,
        seen.profile,
        seen.at_venue.windows,
        seen.at_venue.openings,
        seen.heartbeat,
        seen.segment_now,
        seen.segments_to_come,
        seen.cuts,
        seen.late_outage,
        seen.supply_changes("roll"),
        group.first_plates,
        group.source_names,
        group.newest_stretches,
    ]


def test_a_context_of_no_machine_is_none() -> None:
    assert machine_contexts([], NOON) == ()


def test_the_segment_now_is_that_which_holds_the_instant() -> None:
    seen = machine_context(Machine.objects.get(id="one"), NOON + timedelta(hours=5))
    assert seen.segment_now is not None
    (there,) = Segment.objects.filter(run_id="first", starts_at__lte=seen.now, ends_at__gt=seen.now)
    assert seen.segment_now.number == there.number


def test_cuts_are_counted_from_each_machines_newest_blade() -> None:
    def strip(run: str, boundary: int, hours: float, made: bool = True) -> None:
        at = NOON + timedelta(hours=hours)
        Strip.objects.create(run_id=run, boundary=boundary, paper_position=0, made=made, at=at)

    def by_hand(version: int, hours: float, **said: Any) -> None:
        usual = {"action": "cut", "pattern": None, "paper_position": 0, "paper_columns": 0, "seen_done": True}
        at = NOON + timedelta(hours=hours)
        HandUse.objects.create(machine_id="one", version=version, at=at, **usual | said)

    for boundary, hours in enumerate((1, 2, 3, 4)):
        strip("first", boundary, hours)
        strip("third", boundary, hours)
    strip("first", 9, 5, made=False)
    assert cuts_since_blade(["one", "two", "none"]) == {"one": 4, "two": 4}
    for version, part, hours in ((101, "blade", 1), (102, "blade", 2), (103, "roll", 4)):
        at = NOON + timedelta(hours=hours)
        SupplyChange.objects.create(machine_id="one", version=version, part=part, at=at, paper_position=0)
    assert cuts_since_blade(["one", "two"]) == {"one": 2, "two": 4}
    by_hand(104, 3)
    by_hand(105, 3, action="test-pattern", pattern="squareness")
    by_hand(106, 3, action="test-pattern", pattern="nozzle-check")
    by_hand(107, 3, seen_done=False)
    by_hand(108, 1)
    assert cuts_since_blade(["one", "two"]) == {"one": 4, "two": 4}
