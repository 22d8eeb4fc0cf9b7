"""The small plots under a machine's paper along time, and how what they show is kept."""

from __future__ import annotations

from datetime import UTC, datetime, timedelta

import pytest

from scheduling.background.sample_clocks import sample_clocks
from scheduling.log.models import ClockSample, Heartbeat, Machine, Run, Segment
from scheduling.queries.machine_traces import clock_errors_s, slips_mm
from scheduling.sky.zones import zone
from server import jobs
from server.console.days_span import DaysSpan
from server.console.plots_in_time import HEIGHT, Plot, plots
from tests.server.console.test_first_page import page
from tests.server.console.test_staff_sheet import tell
from tests.server.studio import Caller, HeldClock

MIDNIGHT = datetime(2026, 3, 20, tzinfo=UTC)
DAY = DaysSpan(MIDNIGHT.date(), 1, zone("Europe/Lisbon"), is_mirrored=False)
LATE, SLIPPED, CLOCK = "How late columns came", "How far the paper slipped", "How far off its clock may be"


def at(hour: float) -> datetime:
    return MIDNIGHT + timedelta(hours=hour)


def of_wren() -> dict[str, Plot]:
    rows = list(Segment.objects.filter(run_id="spring").order_by("number"))
    return {plot.name: plot for plot in plots(Machine.objects.get(id="wren-1"), rows, DAY)}


def slip(mm: float, column: int) -> dict[str, object]:
    said = {"slip_mm": mm, "slip_s": 144 * mm, "slip_degrees": 0.6 * mm}
    return {"kind": "slip-measured", "run": "spring", "column": column, **said}


def test_lateness_is_the_worst_of_each_segment_where_it_ends(printing: Caller) -> None:
    of_run = Segment.objects.filter(run_id="spring")
    one, other = of_run.order_by("number").values_list("number", flat=True)[:2]
    of_run.update(worst_miss_s=None)
    of_run.filter(number=one).update(worst_miss_s=0.5)
    of_run.filter(number=other).update(worst_miss_s=-0.5)
    late = of_wren()[LATE]
    # Segments of an hour from noon on, of a day of 24 hours; nothing is in the middle, late above it.
    (line,) = late.lines
    (first, second) = [[float(one) for one in point.split(",")] for point in line.split()]
    assert first == pytest.approx([1000 * 13 / 24, 0.0], abs=1) and second == pytest.approx([1000 * 14 / 24, 40], abs=1)
    assert (late.zero, HEIGHT) == (20.0, 40.0) and late.most.replace("\N{NO-BREAK SPACE}", " ") == "0.5 s at most"


def test_slips_are_those_that_were_told_and_what_is_left_after_corrections(printing: Caller, clock: HeldClock) -> None:
    first = Run.objects.get(id="spring").first_column
    corrected = {"kind": "feed-corrected", "run": "spring", "column": first + 27, "corrected_mm": 0.4, "slip_mm": -0.2}
    tell(printing, slip(-0.6, first + 25), corrected)
    assert [mm for _, mm in slips_mm("wren-1", at(0), at(24))] == [-0.6, -0.2]
    assert slips_mm("wren-1", at(0), clock.at) == [], "an end is not within"
    assert of_wren()[SLIPPED].most.replace("\N{NO-BREAK SPACE}", " ") == "-0.6 mm at most"


def test_how_surely_a_board_knows_the_time_is_kept_now_and_then_and_for_a_while(printing: Caller) -> None:
    def hear(hour: float, error_s: float) -> int:
        row = Heartbeat.objects.get(machine_id="wren-1")
        row.heard_at, row.status = at(hour), row.status | {"clock_error_s": error_s}
        row.save()
        return sample_clocks(at(hour))

    assert [hear(1.0, 0.1), hear(1.2, 0.2), hear(1.25, 0.3), hear(2.0, 300.0)] == [1, 0, 1, 1]
    assert sample_clocks(at(3.0)) == 0, "nothing was heard since"
    assert clock_errors_s("wren-1", at(0), at(2.0)) == [(at(1.0), 0.1), (at(1.25), 0.3)]
    assert of_wren()[CLOCK].most.replace("\N{NO-BREAK SPACE}", " ") == "5 min at most"
    hear(2.0 + 35 * 24, 0.1)
    assert ClockSample.objects.count() == 2, "what is older than 35 days is gone"


def test_a_board_that_does_not_know_the_time_leaves_a_hole(printing: Caller) -> None:
    for number in range(20):
        if number not in range(5, 14):
            ClockSample.objects.create(machine_id="wren-1", at=at(number / 4), error_s=0.1)
    assert len(of_wren()[CLOCK].lines) == 2
    row = Heartbeat.objects.get(machine_id="wren-1")
    row.heard_at, row.status = at(10), row.status | {"clock_error_s": None}
    row.save()
    assert sample_clocks(at(10)) == 0


def test_the_watch_keeps_them_and_the_page_draws_them(printing: Caller) -> None:
    jobs.watch()
    assert ClockSample.objects.count() == 1
    shown = page("/machines/wren-1/paper?from=2026-03-20&days=1")
    assert f'aria-label="{LATE}: ' in shown and f'aria-label="{CLOCK}: 0.01' in shown and SLIPPED not in shown


def test_of_what_nothing_was_told_nothing_is_drawn(furnished: Caller) -> None:
    assert of_wren() == {}
