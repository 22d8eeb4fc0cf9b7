"""What a node should hold now."""

from __future__ import annotations

from dataclasses import replace
from datetime import timedelta
from pathlib import Path

import pytest
from django.db.models import F

from machines.chance import SYSTEM
from machines.protocol.messages import Whereabouts, Work
from machines.recovery import Rule
from scheduling.commands.enrol_node import enrol
from scheduling.commands.override import override_run
from scheduling.log.events.plans import RunWithdrawn
from scheduling.log.events.server import SilenceBegan
from scheduling.log.models import Machine, Run, Segment
from scheduling.log.store import Append, append
from scheduling.nodes import dispatch
from scheduling.nodes.dispatch import work_for
from scheduling.nodes.reports import take
from scheduling.planning.opening_hours import Hours, OpenSpan, Week
from scheduling.planning.quiet_hours import QuietHours, QuietSpan, QuietWeek
from tests.scheduling.house import (
    NOON,
    batch,
    by,
    end_run_after,
    furnish,
    long_after,
    plan,
    printed,
    ready,
    set_hours,
    set_quiet_hours,
    small_profile,
    started,
)

pytestmark = pytest.mark.django_db
DAY = timedelta(hours=24)
SOON = NOON + timedelta(minutes=30)


def work(horizon: timedelta = DAY) -> Work:
    return work_for("one", NOON, horizon, 60.0)


def test_without_a_run_there_is_nothing_to_print() -> None:
    furnish()
    found = work()
    assert (found.run, found.segments, found.plates, found.profile) == (None, (), (), small_profile())


def test_a_run_is_handed_out_up_to_the_horizon(tmp_path: Path) -> None:
    ready(tmp_path)
    found = work(timedelta(hours=5))
    assert found.run is not None
    assert found.run.id == "first"
    assert found.epoch == 1
    assert len(found.segments) == 11
    assert found.segments[0].first_column == found.run.first_column
    assert found.plates == (found.segments[0].plate,)


def test_work_survives_the_wire(tmp_path: Path) -> None:
    ready(tmp_path)
    found = work()
    assert Work.from_json(found.as_json()) == found


def test_it_says_what_people_call_machine_and_venue_and_by_which_clock_they_live(tmp_path: Path) -> None:
    ready(tmp_path)
    row = Machine.objects.select_related("venue").get(id="one")
    assert work().stands == Whereabouts(machine=row.name, venue=row.venue.name, zone=row.venue.zone)


def test_a_reported_segment_is_not_offered_again_and_a_half_printed_one_is(tmp_path: Path) -> None:
    ready(tmp_path)
    first, second = Segment.objects.order_by("number")[:2]
    whole = printed(2, first.number, first.first_column, first.end_column, first.end_column - first.first_column)
    half = printed(3, second.number, second.first_column, second.first_column + 2, 2, place=4)
    take("one", batch(started(), whole, half), long_after())
    found = work()
    assert found.segments[0].number == second.number
    assert found.run is not None
    assert found.run.first_unaccounted == second.first_column + 2


def test_a_board_that_takes_over_is_told_where_the_one_before_it_stopped(tmp_path: Path) -> None:
    ready(tmp_path)
    untouched = work()
    assert untouched.run is not None
    assert untouched.run.first_unaccounted == untouched.run.first_column
    segment = Segment.objects.order_by("number").first()
    assert segment is not None
    first = segment.first_column
    take("one", batch(started(), printed(2, segment.number, first, first + 1, 1)), long_after())
    enrol("one", by())
    told = work()
    assert told.run is not None
    assert told.run.first_unaccounted == first + 1
    # The plan is the same for a board whose journal goes on: only whole segments are offered.
    assert (told.segments, replace(told.run, first_unaccounted=first)) == (untouched.segments, untouched.run)


def test_without_segments_no_column_is_named_as_the_first(tmp_path: Path) -> None:
    ready(tmp_path)
    found = work(timedelta(seconds=1))
    assert not found.segments
    assert found.run is None or found.run.first_unaccounted is None


def test_what_a_board_may_hold_is_named_as_ended_before_what_has_no_segment(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """However many runs were taken back since, or the board would print on for ever."""
    monkeypatch.setattr(dispatch, "MOST_ENDED", 2)
    ready(tmp_path)
    end_run_after(13.3)
    for day in (100, 200, 300):
        begins = NOON + timedelta(days=day)
        plan(id=f"far-{day}", starts_at=begins.isoformat(), ends_at=(begins + timedelta(hours=3)).isoformat())
        append([Append(f"run/far-{day}", 1, [RunWithdrawn()])], by(at=NOON + timedelta(seconds=day)))
    run = Run.objects.get(id="first")
    assert {(one.run, one.end_column) for one in work().ended} >= {("first", run.end_column)}
    assert len(work().ended) == 2


def test_a_later_run_waits_for_the_one_before(tmp_path: Path) -> None:
    ready(tmp_path)
    plan(
        id="second",
        starts_at=(NOON + timedelta(hours=30)).isoformat(),
        ends_at=(NOON + timedelta(hours=31)).isoformat(),
    )
    found = work_for("one", NOON + timedelta(hours=30, minutes=10), DAY, 60.0)
    assert found.run is not None
    assert found.run.id == "first"


def test_a_segment_that_is_to_be_printed_again_is_offered_although_nothing_in_it_is_due(tmp_path: Path) -> None:
    ready(tmp_path)
    first, second = Segment.objects.order_by("number")[:2]
    laid = [
        printed(seq, one.number, one.first_column, one.end_column, one.end_column - one.first_column)
        for seq, one in enumerate((first, second), 2)
    ]
    take("one", batch(started(), *laid), long_after())
    assert work().segments[0].number == second.number + 1
    Segment.objects.filter(number=second.number).update(again=[[second.first_column + 1, second.end_column]])
    found = work()
    assert found.segments[0].number == second.number
    assert found.run is not None
    assert found.run.first_unaccounted == second.first_column + 1


def test_a_run_that_is_accounted_for_but_for_columns_to_be_printed_again_is_not_over(tmp_path: Path) -> None:
    ready(tmp_path)
    Run.objects.update(printed=F("end_column") - F("first_column"))
    assert work().run is None
    Run.objects.update(again=3)
    assert work().run is not None


def test_work_says_how_long_the_timeline_has_waited_and_keeps_the_knots_as_planned(tmp_path: Path) -> None:
    ready(tmp_path)
    before = work()
    Run.objects.update(shift_s=90.5)
    after = work()
    assert after.run is not None and before.run is not None
    assert (before.run.shift_s, after.run.shift_s) == (0.0, 90.5)
    assert after.segments == before.segments


def test_a_word_goes_out_with_the_work_until_it_is_of_no_use(tmp_path: Path) -> None:
    ready(tmp_path)
    assert work().override is None
    append([Append("machine/one", None, [SilenceBegan(last_heard_at=NOON)])], by())
    word = override_run(Run.objects.get(), Rule(kind="blank"), None, by(at=SOON), SYSTEM)
    given = work().override
    assert given is not None
    assert (given.id, given.rule, given.given_at) == (word.id, Rule(kind="blank"), SOON)
    first = Segment.objects.order_by("number")[0]
    laid = printed(2, first.number, first.first_column, first.end_column, 2)
    take("one", batch(started(), replace(laid, at=SOON + timedelta(minutes=1))), long_after())
    assert work().override is None


def test_closed_hours_go_out_up_to_the_horizon_and_are_the_same_all_day(tmp_path: Path) -> None:
    ready(tmp_path)
    assert work().closed == ()
    day = (OpenSpan(opens="10:00", closes="18:00"),)
    set_hours("shed", Hours(week=Week(saturday=day, sunday=day)), by())  # a Saturday; Lisbon's clocks change that night
    closed = work().closed
    midnight = NOON.replace(hour=0)
    assert [(span.starts_at - midnight, span.ends_at - midnight) for span in closed] == [
        (timedelta(0), timedelta(hours=9)),
        (timedelta(hours=17), timedelta(hours=34)),
        (timedelta(hours=42), timedelta(hours=48)),
    ]
    later = work_for("one", NOON + timedelta(hours=11), timedelta(hours=23), 60.0)
    assert later.closed == closed


def test_quiet_hours_go_out_likewise_also_where_nothing_is_to_be_printed(tmp_path: Path) -> None:
    ready(tmp_path)
    assert work().quiet == () and "quiet" not in work().as_json()
    night = (QuietSpan(begins="22:00", ends="07:00"),)
    set_quiet_hours("shed", QuietHours(week=QuietWeek(friday=night, saturday=night)), by())
    midnight = NOON.replace(hour=0)  # of a Saturday; Lisbon's clocks change that night
    expected = [(timedelta(0), timedelta(hours=6)), (timedelta(hours=21), timedelta(hours=31))]
    later = work_for("one", NOON + timedelta(hours=11), timedelta(hours=23), 60.0)
    for found in (work(), later):
        assert [(span.starts_at - midnight, span.ends_at - midnight) for span in found.quiet] == expected
    assert Work.from_json(work().as_json()) == work()
    idle = work_for("one", NOON - timedelta(days=7), timedelta(hours=1), 60.0)
    assert idle.run is None and idle.quiet and not idle.closed


def test_closed_hours_survive_the_wire(tmp_path: Path) -> None:
    ready(tmp_path)
    set_hours("shed", Hours(week=Week()), by())
    append([Append("machine/one", None, [SilenceBegan(last_heard_at=NOON)])], by())
    override_run(Run.objects.get(), Rule(kind="replay", only_while_closed=True), None, by(at=SOON), SYSTEM)
    assert Work.from_json(work().as_json()) == work()
