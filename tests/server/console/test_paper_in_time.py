"""A machine's paper along time: some days of it, and what happens in them."""

from __future__ import annotations

from datetime import UTC, datetime, timedelta

import pytest
from django.contrib.auth.models import User
from django.test import Client

from machines.errors import InputError
from scheduling.log.models import Machine, Segment, Strip
from scheduling.sky.zones import zone
from server import wiring
from server.console.days_span import WIDTH, days_span
from server.console.paper_in_time import PaperInTime, paper_in_time
from tests.server.console.test_first_page import page
from tests.server.studio import SERVICE_WINDOW, Caller, HeldClock

LISBON = zone("Europe/Lisbon")


def of_wren(first: str = "2026-03-20", days: str = "1") -> PaperInTime:
    return paper_in_time(Machine.objects.get(id="wren-1"), first, days, wiring.now())


def test_days_are_those_of_the_clock_there() -> None:
    night = days_span("2026-03-29", "1", LISBON, datetime(2026, 3, 20, tzinfo=UTC))
    assert night.ends - night.begins == timedelta(hours=23)  # clocks go forward
    assert (night.earlier, night.later) == ("2026-03-28", "2026-03-30")
    around = days_span("", "", LISBON, datetime(2026, 3, 20, 12, 0, tzinfo=UTC))
    assert (around.first.isoformat(), around.days) == ("2026-03-19", 3)


@pytest.mark.parametrize(
    ("first", "days", "field"),
    [("yesterday", "", "from"), ("1000-01-01", "", "from"), ("", "5", "days"), ("", "x", "days")],
)
def test_what_is_no_day_is_said_to_be_none(first: str, days: str, field: str) -> None:
    with pytest.raises(InputError) as refused:
        days_span(first, days, LISBON, datetime(2026, 3, 20, tzinfo=UTC))
    assert refused.value.field == field


def test_what_is_wrong_stands_beside_its_field(furnished: Caller) -> None:
    shown = page("/machines/wren-1/paper?from=yesterday")
    assert "&#x27;yesterday&#x27; is no date" in shown and 'value="yesterday"' in shown


def test_time_runs_to_the_left_on_paper_that_moves_right(printing: Caller) -> None:
    paper = of_wren()
    assert paper.span.x(paper.span.begins) == WIDTH and paper.span.x(paper.span.ends) == 0
    assert "Time runs to the left" in page("/machines/wren-1/paper")


def test_what_is_laid_missing_and_to_come_stand_where_they_were_due(printing: Caller, clock: HeldClock) -> None:
    paper = of_wren()
    # From noon five hours are laid, one nobody told of, and all but a column of the next; the rest is to come.
    first, second = paper.laid
    hour = WIDTH / 24
    assert first.box.x + first.box.width == pytest.approx(WIDTH / 2, abs=0.02 * hour + 5)
    assert first.box.width == pytest.approx(5 * hour, abs=0.2 * hour)
    assert second.box.width == pytest.approx(hour * 14 / 15, abs=0.2 * hour)
    assert paper.now == pytest.approx(second.box.x, abs=0.2 * hour)
    assert all(len(one.turns) == 1 for one in paper.laid)
    assert paper.missing == ()


def test_what_was_left_out_is_missing(printing: Caller, clock: HeldClock) -> None:
    row = Machine.objects.get(id="wren-1")
    left = Segment.objects.filter(run_id="spring").order_by("number")[5]
    left.outcomes, left.skipped = [[left.first_column, left.end_column, "skipped"]], left.end_column - left.first_column
    left.save()
    (missing,) = paper_in_time(row, "2026-03-20", "1", wiring.now()).missing
    assert missing.width == pytest.approx(WIDTH / 24, abs=1)
    assert 'class="missing"' in page("/machines/wren-1/paper?from=2026-03-20&days=1")


def test_cuts_stand_at_their_instants(printing: Caller, clock: HeldClock) -> None:
    at = datetime(2026, 3, 20, 18, 0, tzinfo=UTC)
    Strip.objects.create(run_id="spring", boundary=270, paper_position=90, made=True, at=at)
    assert of_wren().cuts == ((WIDTH / 4, True),)
    assert "no stretches missing, 1 cut made." in page("/machines/wren-1/paper?from=2026-03-20&days=1")


def test_what_happens_is_told_by_both_clocks(printing: Caller, furnished: Caller) -> None:
    furnished.create("service-windows", SERVICE_WINDOW)
    shown = page("/machines/wren-1/paper?from=2026-03-20&days=7")
    table = shown[shown.index('<table class="planned happened"') :]
    assert "Land begins" in table and "First night opens" in table and "march equinox" in table
    assert "somebody is there: Tuesday rounds, until 11:30" in table
    assert "19:00 on Sat 21 Mar 2026" in table
    assert "Nothing is known of them." in page("/machines/wren-1/paper?from=2030-02-03&days=1")


def test_it_is_open_to_who_comes_by_and_leads_on_whom_it_knows(furnished: Caller) -> None:
    assert "All of Wren 1" not in page("/machines/wren-1/paper")
    browser = Client()
    browser.force_login(User.objects.create_superuser("ada", password=None))
    assert 'href="/machines/wren-1"' in page("/machines/wren-1/paper", browser)
    assert "/machines/wren-1/paper" in page("/machines/wren-1", browser)
    assert Client().get("/machines/nobody/paper").status_code == 404
