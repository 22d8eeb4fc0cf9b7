"""In which service window a part is changed: the last that begins before it ends, and never past its end."""

from __future__ import annotations

from datetime import UTC, datetime, timedelta
from pathlib import Path

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from machines.chance import SYSTEM
from scheduling.background.extend_plans import extend_plans
from scheduling.commands import handlers
from scheduling.commands.enrol_node import enrol
from scheduling.commands.service_windows import call_off
from scheduling.log.events.visits import ServiceWindowCalledOff, ServiceWindowFixed
from scheduling.log.models import Machine, Segment, Venue
from scheduling.log.store import Append, append
from scheduling.planning.service_windows import Once
from scheduling.queries.machine_context import machine_context
from scheduling.queries.venue_context import venue_context
from scheduling.rendering.plate_store import PlateStore
from scheduling.supplies.change_dates import Change, change_before
from scheduling.supplies.forecast import coming_changes, forecast
from tests.scheduling.house import NOON, by, furnish, order, plan
from tests.scheduling.paper.test_printed_paper import segment, tell

pytestmark = pytest.mark.django_db


def utc(*parts: int) -> datetime:
    return datetime(2026, *parts, tzinfo=UTC)  # type: ignore[arg-type, misc]


def rounds(weekday: str = "tuesday", begins: str = "10:00", ends: str = "11:30", id: str = "rounds") -> None:
    comes = {"kind": "weekly", "weekday": weekday, "begins": begins, "ends": ends}
    order(handlers.FixServiceWindow, id=id, venue="shed", name=id.title(), comes=comes)


def told(end: datetime, after: datetime = NOON) -> Change:
    return change_before(venue_context(Venue.objects.get(id="shed")), "roll", after, end)


def test_it_is_the_last_window_that_begins_before_the_end() -> None:
    furnish()
    rounds()
    rounds("friday", id="fridays")
    found = told(utc(11, 2, 9))
    assert found.window is not None and found.window.window == "fridays"
    assert (found.window.starts_at, found.until) == (utc(10, 30, 10), utc(10, 30, 11, 30))
    assert found.in_words == "in Fridays, between 10:00 and 11:30 on 2026-10-30"


def test_within_a_window_it_is_changed_before_the_part_ends() -> None:
    furnish()
    rounds()
    found = told(utc(10, 27, 10, 50))
    assert found.window is not None and found.window.ends_at == utc(10, 27, 11, 30)
    assert found.until == utc(10, 27, 10, 50)
    assert found.in_words == "in Rounds, between 10:00 and 10:50 on 2026-10-27, when the roll ends"


def test_a_window_that_begins_when_it_ends_is_too_late() -> None:
    furnish()
    rounds()
    found = told(utc(10, 27, 10))
    assert (found.window, found.until) == (None, None)
    assert found.in_words == (
        "no service window before the roll ends at 10:00 on 2026-10-27: "
        "the next is Rounds, between 10:00 and 11:30 on 2026-10-27"
    )


def test_a_window_that_is_on_counts_and_one_that_is_over_does_not() -> None:
    furnish()
    rounds()
    during = told(utc(10, 28), after=utc(10, 27, 11, 29))
    assert during.window is not None and during.window.starts_at == utc(10, 27, 10)
    assert told(utc(10, 28), after=utc(10, 27, 11, 30)).window is None


def test_none_is_fixed_or_all_are_called_off() -> None:
    furnish()
    sentence = (
        "no service window before the roll ends at 00:00 on 2026-10-30: "
        "none is fixed at The shed within 92 days after that"
    )
    assert told(utc(10, 30)).in_words == sentence
    rounds()
    call_off("rounds", None, by(), SYSTEM)
    assert told(utc(10, 30)).in_words == sentence


def test_what_should_have_been_changed_already_is_changed_in_the_next_window() -> None:
    furnish()
    rounds()
    assert told(utc(10, 24), after=NOON).in_words.endswith("the next is Rounds, between 10:00 and 11:30 on 2026-10-27")


def test_of_what_is_overdue_no_window_counts_that_is_over() -> None:
    """One in which the part ended, and one between its end and now."""
    furnish()
    rounds()
    rounds("tuesday", "13:00", "14:00", id="afternoons")
    found = told(utc(10, 27, 10, 50), after=utc(10, 27, 15))
    assert found.window is None
    assert found.in_words.endswith("the next is Rounds, between 10:00 and 11:30 on 2026-11-03")
    still = told(utc(10, 27, 10, 50), after=utc(10, 27, 11))
    assert still.window is not None and still.window.window == "rounds"


def test_in_a_doubtful_hour_the_words_say_which() -> None:
    """On 25 October 2026 Lisbon's clocks show 01:00 to 02:00 twice."""
    furnish()
    rounds("sunday", "01:15", "01:45")
    said = "in Rounds, between 01:15 WEST and 01:45 WET on 2026-10-25, between which the clocks change"
    assert told(utc(10, 26)).in_words == said


def test_the_forecast_says_in_which_window_each_part_is_changed(tmp_path: Path) -> None:
    furnish(
        media={"width_mm": 30.0, "caliper_mm": 0.1, "roll_m": 1.0},
        knife={"head_to_knife_mm": 10.0, "cuts_per_blade": 24},
    )
    plan(ends_at=(NOON + timedelta(days=20)).isoformat())
    rounds()
    run = forecast(machine_context(Machine.objects.get(), NOON), NOON, PlateStore(tmp_path)).run
    assert run is not None and run.roll_ends is not None and run.blade_ends is not None
    # The roll ends on the evening of Sunday 1 November, the blade two days and a little from noon on Saturday.
    roll, blade = run.roll_ends.change, run.blade_ends.change
    assert roll.window is not None and roll.window.starts_at == utc(10, 27, 10)
    assert blade.window is None and blade.in_words.startswith("no service window before the blade ends at ")


def _visit(number: int, begins: int, hours: int) -> Append:
    window = ServiceWindowFixed(
        venue="shed",
        name=f"Visit {number}",
        comes=Once(anchor={}, minutes=60 * hours),
        begins_at=NOON + timedelta(hours=begins),
    )
    return Append(f"service/{number}", None, [window])


def test_what_is_coming_is_told_without_plates_as_the_forecast_tells_it(tmp_path: Path) -> None:
    """While columns are planned, printed and to be printed once more."""
    furnish(
        media={"width_mm": 30.0, "caliper_mm": 0.1, "roll_m": 1.0},
        knife={"head_to_knife_mm": 10.0, "cuts_per_blade": 24},
    )
    assert coming_changes(machine_context(Machine.objects.get(), NOON), NOON) == ()
    plan(ends_at=(NOON + timedelta(days=20)).isoformat())
    rounds()
    plates = PlateStore(tmp_path)
    for step in ("planned", "drawn", "printed", "again"):
        if step == "drawn":
            extend_plans(NOON, timedelta(hours=60), plates)
        if step == "printed":
            enrol("one", by())
            (a, b), (c, d) = segment(0), segment(2)
            tell((a, b, 0), (c, d, c))
        if step == "again":
            one = Segment.objects.order_by("number")[0]
            one.again = [[one.first_column, one.first_column + 3]]
            one.save()
        machine = machine_context(Machine.objects.get(), NOON)
        run = forecast(machine, NOON, plates).run
        assert run is not None
        assert coming_changes(machine, NOON) == (("blade", run.blade_ends), ("roll", run.roll_ends))


def test_a_long_window_is_not_taken_for_a_later_one_that_is_over_four_weeks_before_the_end() -> None:
    """One of six days that reaches into the last four weeks, and one of an hour within it that does not."""
    furnish()
    append([_visit(1, 24, 6 * 24), _visit(2, 72, 1)], by())
    found = told(NOON + timedelta(days=28 + 5))
    assert found.window is not None and found.window.window == "2"


EVENTS = settings(suppress_health_check=(HealthCheck.function_scoped_fixture,), deadline=None, max_examples=40)


@EVENTS
@given(
    starts=st.lists(st.tuples(st.integers(-100, 1200), st.integers(1, 168)), max_size=6),
    end=st.integers(0, 1200),
)
def test_whatever_the_windows_it_is_never_changed_past_the_end(starts: list[tuple[int, int]], end: int) -> None:
    """Hours from noon: when windows begin and how long they last, and when the part ends."""
    if not Venue.objects.exists():
        furnish()
    fixed = [_visit(number, *one) for number, one in enumerate(starts)]
    off = [Append(f"service/{number}", None, [ServiceWindowCalledOff()]) for number in range(len(starts), 6)]
    append([*fixed, *off], by())
    ends_at = NOON + timedelta(hours=end)
    found = told(ends_at)
    usable = [begins for begins, hours in starts if begins < end and begins + hours > 0]
    if found.window is None or found.until is None:
        assert usable == [] and found.in_words.startswith("no service window before the roll ends at ")
    else:
        assert found.window.starts_at == NOON + timedelta(hours=max(usable))
        assert found.window.starts_at < found.until <= ends_at
