"""What was true at a past instant, and what was known of it then."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from datetime import datetime
from typing import Any

import pytest
from django.db import connections, transaction
from django.db.models import Model
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from scheduling.log import models
from scheduling.log.event_records import insert, scan
from scheduling.log.events.visits import ServiceWindowCalledOff
from scheduling.log.integrity import append_only
from scheduling.log.moment import AsOf
from scheduling.log.projecting.as_of import (
    Page,
    machine_row_at,
    machines_at,
    notices_at,
    opening_at,
    outages_at,
    run_at,
    run_row_at,
    runs_at,
    segments_at,
    service_window_at,
    service_windows_at,
)
from scheduling.log.rebuilding.rebuild import rebuild
from scheduling.log.store import append, read
from tests.scheduling.log.facts import (
    a_run_on_a_machine,
    at,
    by,
    conditions,
    gap_settled,
    opening,
    printed,
    say,
    segments,
    service_once,
    service_weekly,
)
from tests.scheduling.log.histories import HISTORIES, RUNS, History

pytestmark = pytest.mark.django_db

TABLES_OF_A_RUN: tuple[tuple[type[Model], str], ...] = (
    (models.Segment, "segments"),
    (models.PrintedStretch, "stretches"),
    (models.Strip, "strips"),
    (models.Outage, "outages"),
)


def values(rows: Sequence[Any]) -> list[dict[str, Any]]:
    """Rows as they would come from the database, in the order of their keys."""
    return [
        {field.attname: getattr(row, field.attname) for field in row._meta.concrete_fields}
        for row in sorted(rows, key=lambda row: str(row.pk))
    ]


LISTS: tuple[tuple[type[Model], Callable[..., list[Any]]], ...] = (
    (models.Run, runs_at),
    (models.Machine, machines_at),
    (models.Outage, outages_at),
    (models.Notice, notices_at),
    (models.ServiceWindow, service_windows_at),
)
ALL = Page(count=1000)


def everything(moment: AsOf) -> dict[str, Any]:
    """All that can be asked for at a moment."""
    answers: dict[str, Any] = {table.__name__: values(list_at(moment, ALL)) for table, list_at in LISTS}
    for name in RUNS:
        then = run_at(name, moment)
        answers[name] = then and {
            "run": values([then.run]),
            **{attribute: values(getattr(then, attribute)) for _, attribute in TABLES_OF_A_RUN},
        }
        answers[f"segments of {name}"] = values(segments_at(name, moment, ALL) or [])
    return answers


def live() -> dict[str, Any]:
    """The same from the live views."""
    answers: dict[str, Any] = {table.__name__: values(list(table._default_manager.all())) for table, _ in LISTS}
    for name in RUNS:
        run = models.Run.objects.filter(id=name).first()
        answers[name] = run and {
            "run": values([run]),
            **{
                attribute: values(list(table._default_manager.filter(run_id=name)))
                for table, attribute in TABLES_OF_A_RUN
            },
        }
        answers[f"segments of {name}"] = values(list(models.Segment.objects.filter(run_id=name)))
    return answers


SETTINGS = settings(suppress_health_check=(HealthCheck.function_scoped_fixture,), deadline=None, max_examples=30)


@SETTINGS
@given(history=HISTORIES, data=st.data())
def test_what_was_known_is_what_the_views_held_then(history: History, data: st.DataObject) -> None:
    batches = list(history.appends())
    instant = data.draw(st.integers(0, len(batches) - 1), label="minutes")
    with transaction.atomic():
        for minutes, appends in enumerate(batches):
            append(appends, by(minutes))
            if minutes == instant:
                held = live()
        assert everything(AsOf(known_by=at(instant))) == held
        assert everything(AsOf()) == live()
        transaction.set_rollback(True)


@settings(SETTINGS, max_examples=10)
@given(history=HISTORIES, count=st.integers(1, 5))
def test_the_parts_of_a_list_are_all_of_it(history: History, count: int) -> None:
    with transaction.atomic():
        for appends in history.appends():
            append(appends, by())
        for _, list_at in LISTS:
            rows: list[Any] = []
            while part := list_at(AsOf(), Page(after=rows[-1].pk if rows else None, count=count)):
                assert len(part) <= count
                rows += part
            assert [row.pk for row in rows] == [row.pk for row in list_at(AsOf(), ALL)]
        transaction.set_rollback(True)


@SETTINGS
@given(history=HISTORIES, minutes=st.integers(-10, 410))
def test_what_had_happened_is_what_the_views_would_hold_had_nothing_else_been_said(
    history: History, minutes: int
) -> None:
    moment = AsOf(happened_by=at(minutes))
    with transaction.atomic():
        for appends in history.appends():
            append(appends, by())
        then, lines = everything(moment), list(scan(moment.counts, using="default"))
        transaction.set_rollback(True)
    with transaction.atomic():
        append_only.lift(connections["default"])  # which would not let positions be left out
        insert(lines, using="default")
        rebuild()
        assert live() == then
        transaction.set_rollback(True)


def test_a_late_report_counts_when_it_happened_and_when_it_was_known() -> None:
    """Printed at minute 20 and 40, told at minute 600: the server was down."""
    a_run_on_a_machine(0)
    say("machine/left", printed(1, 0, 20), printed(2, 20, 40), minutes=600)

    def printed_at(happened_by: datetime | None, known_by: datetime | None) -> int:
        then = run_at("spring", AsOf(happened_by=happened_by, known_by=known_by))
        assert then is not None
        return then.run.printed

    assert printed_at(at(30), None) == 20
    assert printed_at(at(50), None) == 40
    assert printed_at(at(50), at(50)) == 0
    assert printed_at(None, at(599)) == 0
    assert printed_at(at(30), at(600)) == 20


def test_before_it_began_there_is_nothing() -> None:
    a_run_on_a_machine(0)
    say("opening/first", opening())
    before = AsOf(known_by=at(-1))
    assert (run_at("spring", before), run_row_at("spring", before)) == (None, None)
    assert (machine_row_at("left", before), opening_at("first", before)) == (None, None)
    assert run_at("none", AsOf()) is None


def test_an_opening_that_was_moved() -> None:
    say("opening/first", opening(), minutes=0)
    say("opening/first", opening(opens_at=at(2000)), minutes=10)
    then, now = opening_at("first", AsOf(known_by=at(5))), opening_at("first", AsOf())
    assert then is not None
    assert now is not None
    assert (then.opens_at, now.opens_at) == (at(1260), at(2000))


def test_a_service_window_that_was_called_off() -> None:
    say("service/roll", service_once(), minutes=0)
    say("service/rounds", service_weekly(venue="mill"), minutes=5)
    say("service/roll", ServiceWindowCalledOff(reason="ill"), minutes=10)
    then, now = service_window_at("roll", AsOf(known_by=at(5))), service_window_at("roll", AsOf())
    assert then is not None and now is not None
    assert (then.called_off_at, now.called_off_at, now.called_off_because) == (None, at(10), "ill")
    assert service_window_at("roll", AsOf(known_by=at(-1))) is None

    def ids(venue: str | None, minutes: float) -> list[str]:
        return [one.id for one in service_windows_at(AsOf(happened_by=at(minutes)), ALL, venue=venue)]

    assert (ids(None, 4), ids(None, 5), ids("mill", 5), ids("boathouse", 5)) == (
        ["roll"],
        ["roll", "rounds"],
        ["rounds"],
        ["roll"],
    )


def test_a_run_in_the_order_of_its_columns() -> None:
    a_run_on_a_machine(0)
    say("run/spring", segments(1), minutes=1)
    say("machine/left", printed(1, 0, 30), gap_settled(2, 30, 34, 60), printed(3, 60, 80), minutes=90)
    then = run_at("spring", AsOf())
    assert then is not None
    assert [segment.number for segment in then.segments] == [0, 1]
    assert [(one.first_column, one.end_column) for one in then.stretches] == [(0, 30), (60, 80)]
    assert [outage.seq for outage in then.outages] == [2]


def test_a_machine_with_its_conditions_and_notices() -> None:
    a_run_on_a_machine(0)
    say("machine/left", conditions(1, "media-low", minutes=5), conditions(2, minutes=15), minutes=20)
    then = AsOf(happened_by=at(10))
    machine = machine_row_at("left", then)
    assert machine is not None
    assert machine.conditions == ["media-low"]
    assert [(notice.kind, notice.cleared_at) for notice in notices_at(then, ALL)] == [("media-low", None)]


def test_asking_writes_nothing() -> None:
    a_run_on_a_machine(0)
    say("machine/left", printed(1, 0, 30))
    before, facts = live(), list(read())
    everything(AsOf(happened_by=at(10)))
    assert (live(), list(read())) == (before, facts)
