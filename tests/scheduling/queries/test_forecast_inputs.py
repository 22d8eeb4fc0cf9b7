"""The newest event that forecasts are counted from: found in few questions, without what machines tell as planned."""

from __future__ import annotations

from collections.abc import Iterator
from datetime import timedelta
from pathlib import Path

import pytest
from django.db import connection
from django.test.utils import CaptureQueriesContext

from machines.model.calibration import Calibration
from machines.protocol.journal_entries import OperatorActed, StripCut
from scheduling.commands import handlers
from scheduling.log.events.equipment import MachineCalibrated
from scheduling.log.models import KINDS_AS_PLANNED, SAYS_MORE, Event, Machine, Segment
from scheduling.log.store import Append, append, stream_version
from scheduling.nodes.reports import take
from scheduling.queries.forecast_inputs import INVALIDATED_BY, Newest, newest_inputs
from scheduling.queries.machine_context import machine_contexts
from scheduling.queries.newest_change import AS_PLANNED
from tests.scheduling.house import NOON, batch, by, furnish, long_after, order, plan, printed, ready, started

pytestmark = pytest.mark.django_db


def moved(machine: str, run: str | None) -> Newest:
    """The newest of them, by reading the whole log."""
    mine = {f"machine/{machine}", "profile/small", "venue/shed", "opening/doors", "service/round"}
    mine |= {f"run/{run}"} if run else set()
    every = [one for one in Event.objects.order_by("position") if one.stream in mine and one.kind in INVALIDATED_BY]
    return Newest(every[-1].position, every[-1].digest, every[-1].said_at)


def things(folder: Path) -> Iterator[str]:
    """What is said one after another, and what of it is told as planned."""
    ready(folder)
    yield "one machine and its run"
    order(handlers.AddMachine, id="two", name="Two", venue="shed", profile="small")
    yield "another machine"
    one = Segment.objects.order_by("number")[0]
    columns = one.first_column, one.end_column
    take("one", batch(started(), printed(2, one.number, *columns, columns[1] - columns[0])), long_after())
    yield "as planned"
    assert Event.objects.order_by("-position")[0].kind in KINDS_AS_PLANNED
    take("one", batch(OperatorActed(seq=3, at=NOON, action="roll-changed")), long_after())
    yield "another roll"
    cut = StripCut(seq=4, at=NOON, run="first", boundary=20, paper_position=20, made=True)
    take("one", batch(cut), long_after())
    yield "as planned, too"
    plan(id="second", machine="two")
    yield "a run of the other"
    calibrated = MachineCalibrated(calibration=Calibration(feed_factor=1.01))
    append([Append("machine/two", stream_version("machine/two"), [calibrated])], by(at=NOON + timedelta(hours=1)))
    yield "the other was measured"


def test_they_are_the_same_as_by_reading_the_whole_log(tmp_path: Path) -> None:
    for said in things(tmp_path):
        group = machine_contexts(list(Machine.objects.all()), NOON)[0].group
        runs = {one.machine.id: one.run_to_come.id for one in group.contexts if one.run_to_come is not None}
        assert newest_inputs(group.machines, runs, group.venues) == {
            machine.id: moved(machine.id, runs.get(machine.id)) for machine in group.machines
        }, said


def test_it_is_one_question_however_many_machines() -> None:
    furnish()
    for number in range(2):
        group = machine_contexts(list(Machine.objects.all()), NOON)[0].group
        newest_inputs(group.machines, {}, group.venues)  # the calendars of the venues are read with it, once
        with CaptureQueriesContext(connection) as queries:
            newest_inputs(group.machines, {}, group.venues)
        assert len(queries) == 1
        order(handlers.AddMachine, id=f"more-{number}", name="More", venue="shed", profile="small")


def test_the_index_holds_nothing_that_is_told_as_planned() -> None:
    assert set(KINDS_AS_PLANNED) == set(AS_PLANNED) and not set(KINDS_AS_PLANNED) & set(INVALIDATED_BY)


def test_the_database_takes_the_index_that_was_made_for_them() -> None:
    """SQLite must see through the bound values that the index is of just these rows."""
    asked = Event.objects.filter(SAYS_MORE, stream__in=["machine/one", "run/first"], kind__in=INVALIDATED_BY)
    plan_of_it = asked.order_by().values_list("stream", "position").explain()
    assert "COVERING INDEX log_event_says_more" in plan_of_it
