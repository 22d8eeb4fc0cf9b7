"""What is planned, what lies where, and what became of every column."""

from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st

from machines.recovery import Columns, Policy
from machines.serialization import structure
from scheduling.log.models import PrintedStretch, Run, Segment, Strip
from scheduling.log.outcomes import Interval, Outcome, with_interval
from scheduling.log.projections.runs import beyond, spread
from tests.scheduling.log.facts import (
    PLATE,
    a_run_on_a_machine,
    at,
    cut,
    gap_settled,
    printed,
    run,
    say,
    segments,
)

pytestmark = pytest.mark.django_db


def of_run() -> tuple[int, int, int]:
    row = Run.objects.get(id="spring")
    return row.printed, row.skipped, row.unknown


def of_segment(number: int) -> tuple[int, int, int, str]:
    row = Segment.objects.get(pk=("spring", number))
    return row.printed, row.skipped, row.unknown, row.state


def test_a_run_begins_with_nothing_planned() -> None:
    say("run/spring", run())
    row = Run.objects.get(id="spring")
    assert (row.machine_id, row.source_id, row.planned_to_column) == ("left", "land", 0)
    assert row.cycle_options == {"seconds": 86400.0, "epoch": 0.0}
    assert structure(row.policy, Policy) == Policy(kind="skip")
    assert (row.starts_at, row.ends_at, row.mean_turn_s) == (run().starts_at, run().ends_at, 86400.0)


def test_planned_segments() -> None:
    a_run_on_a_machine(0, 1)
    assert Run.objects.get(id="spring").planned_to_column == 100
    row = Segment.objects.get(pk=("spring", 1))
    assert (row.first_column, row.end_column, row.plate, row.state) == (50, 100, PLATE, "planned")
    assert (row.starts_at, row.ends_at) == (at(50), at(100))
    assert row.knots == ["2026-03-29T00:20:00.000000Z", "2026-03-29T00:45:00.000000Z", "2026-03-29T01:10:00.000000Z"]


def test_one_segment_printed_in_several_reports() -> None:
    a_run_on_a_machine(0, 1)
    say("machine/left", printed(1, 0, 20, worst_miss_s=0.5))
    assert of_segment(0) == (20, 0, 0, "printing")
    assert Segment.objects.get(pk=("spring", 0)).finished_at is None
    say("machine/left", printed(2, 20, 45, worst_miss_s=-2.0), printed(3, 45, 50, worst_miss_s=1.5))
    row = Segment.objects.get(pk=("spring", 0))
    assert of_segment(0) == (50, 0, 0, "printed")
    assert (row.finished_at, row.worst_miss_s) == (at(50), -2.0)
    assert row.outcomes == [[0, 50, "printed"]]
    assert of_segment(1) == (0, 0, 0, "planned")
    assert of_run() == (50, 0, 0)


def test_what_lies_where_on_the_paper() -> None:
    a_run_on_a_machine(0)
    say("machine/left", printed(1, 0, 20), printed(2, 26, 50, paper_position=30))
    rows = PrintedStretch.objects.filter(run_id="spring").order_by("paper_position")
    assert [(row.first_column, row.end_column, row.paper_position, row.segment) for row in rows] == [
        (0, 20, 0, 0),
        (26, 50, 30, 0),
    ]
    assert [(row.machine_id, row.at, row.worst_miss_s) for row in rows] == [
        ("left", at(20), 0.25),
        ("left", at(50), 0.25),
    ]


def test_a_gap_across_segments_is_skipped() -> None:
    a_run_on_a_machine(0, 1, 2, 3)
    say("machine/left", printed(1, 0, 30), gap_settled(2, 30, 34, 170))
    assert of_segment(0) == (30, 16, 4, "partly")
    assert of_segment(1) == (0, 50, 0, "left-out")
    assert of_segment(2) == (0, 50, 0, "left-out")
    assert of_segment(3) == (0, 20, 0, "printing")
    assert of_run() == (30, 136, 4)
    say("machine/left", printed(3, 170, 200))
    assert of_segment(3) == (30, 20, 0, "partly")
    assert of_run() == (60, 136, 4)
    assert Segment.objects.get(pk=("spring", 1)).finished_at == at(170)


def test_unknown_columns_across_a_boundary_count_as_used() -> None:
    a_run_on_a_machine(0, 1)
    say("machine/left", printed(1, 0, 48), gap_settled(2, 48, 52, 52))
    assert of_segment(0) == (48, 0, 2, "partly")
    assert of_segment(1) == (0, 0, 2, "printing")


def test_a_segment_that_is_unknown_throughout_is_not_called_left_out() -> None:
    a_run_on_a_machine(0)
    say("machine/left", gap_settled(1, 0, 50, 50))
    assert of_segment(0) == (0, 0, 50, "partly")


def test_a_replayed_gap_stays_due_until_it_is_printed() -> None:
    a_run_on_a_machine(0, 1, 2)
    say("machine/left", printed(1, 0, 30), gap_settled(2, 30, 34, 120, policy=Policy(kind="replay")))
    assert of_segment(0) == (30, 0, 4, "printing")
    assert of_segment(1) == (0, 0, 0, "planned")
    assert of_run() == (30, 0, 4)
    say("machine/left", printed(3, 34, 50), printed(4, 50, 100), printed(5, 100, 120))
    assert of_segment(0) == (46, 0, 4, "partly")
    assert of_segment(1) == (50, 0, 0, "printed")
    assert of_segment(2) == (20, 0, 0, "printing")
    assert of_run() == (116, 0, 4)


def test_a_replay_that_is_cut_short_and_then_skipped() -> None:
    a_run_on_a_machine(0, 1)
    replay = gap_settled(1, 0, 2, 60, policy=Policy(kind="replay"))
    say("machine/left", replay, printed(2, 2, 10), gap_settled(3, 10, 12, 80))
    assert of_segment(0) == (8, 38, 4, "partly")
    assert of_segment(1) == (0, 30, 0, "printing")
    assert of_run() == (8, 68, 4)


def test_what_is_reported_twice_is_counted_once() -> None:
    a_run_on_a_machine(0)
    say("machine/left", printed(1, 0, 30), printed(2, 10, 40), printed(3, 0, 30))
    assert of_segment(0) == (40, 0, 0, "printing")
    assert of_run() == (40, 0, 0)


def test_an_unknown_column_that_is_reported_printed_after_all() -> None:
    a_run_on_a_machine(0)
    say("machine/left", gap_settled(1, 0, 10, 20), printed(2, 5, 10))
    assert of_segment(0) == (5, 10, 5, "printing")


def test_a_gap_beyond_what_is_planned_waits_for_its_segments() -> None:
    a_run_on_a_machine(0)
    say("machine/left", gap_settled(1, 40, 45, 130))
    assert of_run() == (0, 5, 5)
    assert Run.objects.get(id="spring").ahead == [[50, 130, "skipped"]]
    say("run/spring", segments(1))
    assert of_segment(1) == (0, 50, 0, "left-out")
    say("run/spring", segments(2, 3))
    assert of_segment(2) == (0, 30, 0, "printing")
    assert of_segment(3) == (0, 0, 0, "planned")
    assert of_run() == (0, 85, 5)
    assert Run.objects.get(id="spring").ahead == []


def test_columns_reported_under_the_wrong_segment_go_where_they_belong() -> None:
    a_run_on_a_machine(0, 1)
    say("machine/left", printed(1, 40, 60, segment=0), printed(2, 60, 70, segment=7))
    assert of_segment(0)[:3] == (10, 0, 0)
    assert of_segment(1)[:3] == (20, 0, 0)
    assert of_run() == (30, 0, 0)


def test_a_segment_planned_again_keeps_what_became_of_it() -> None:
    a_run_on_a_machine(0, 1)
    say("machine/left", printed(1, 0, 20))
    say("run/spring", segments(0, 1, 2))
    assert of_segment(0) == (20, 0, 0, "printing")
    assert Run.objects.get(id="spring").planned_to_column == 150
    assert of_run() == (20, 0, 0)


def test_reports_about_a_run_that_nobody_planned_are_kept() -> None:
    a_run_on_a_machine(0)
    say("machine/left", printed(1, 0, 10, run="autumn"), gap_settled(2, 10, 12, 30, run="autumn"))
    assert PrintedStretch.objects.get(run_id="autumn").end_column == 10
    assert of_run() == (0, 0, 0)


def test_no_columns_change_nothing() -> None:
    a_run_on_a_machine(0)
    say("machine/left", printed(1, 10, 10, columns=Columns(first=10, end=10)))
    assert of_segment(0) == (0, 0, 0, "planned")


def test_strips() -> None:
    a_run_on_a_machine(0)
    say("machine/left", cut(1, 0), cut(2, 25, made=False))
    rows = Strip.objects.order_by("boundary")
    assert [(row.run_id, row.boundary, row.paper_position, row.made, row.at) for row in rows] == [
        ("spring", 0, 0, True, at(0)),
        ("spring", 25, 25, False, at(25)),
    ]


@given(st.lists(st.tuples(st.integers(0, 90), st.integers(0, 9), st.sampled_from(["printed", "skipped", "unknown"]))))
def test_outcomes_wait_as_they_would_lie_over_one_another(told: list[tuple[int, int, Outcome]]) -> None:
    run, laid = Run(end_column=60), list[Interval]()
    for first, columns, outcome in told:
        one = Interval(first, first + columns, outcome)
        spread(run, [], one, at(0))
        laid = with_interval(laid, one) if columns else laid
        assert (run.ahead, run.beyond) == ([list(one) for one in laid], beyond(laid, 60))
