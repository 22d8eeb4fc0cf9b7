"""Which windows come, when next, and which come no more."""

from __future__ import annotations

from datetime import date, datetime, timedelta

import pytest

from machines.chance import SYSTEM
from scheduling.commands import handlers
from scheduling.commands.service_windows import call_off
from scheduling.log.models import Venue
from scheduling.queries.venue_context import VenueContext, venue_context
from scheduling.venues.coming_windows import coming_times, times_on, window_now_or_soon, windows_by_time
from scheduling.venues.service_windows import as_planned
from tests.scheduling.house import NOON, by, furnish, order

pytestmark = pytest.mark.django_db


@pytest.fixture(autouse=True)
def _furnished() -> None:
    furnish()


def weekly(id: str, weekday: str, begins: str = "10:00", last: str | None = None) -> None:
    comes = {"kind": "weekly", "weekday": weekday, "begins": begins, "ends": "23:00", "last_date": last}
    order(handlers.FixServiceWindow, id=id, venue="shed", name=id.title(), comes=comes)


def there() -> VenueContext:
    return venue_context(Venue.objects.get())


def test_those_to_come_stand_in_order_of_time_and_apart_from_the_others() -> None:
    weekly("tuesdays", "tuesday")
    weekly("mondays", "monday")
    weekly("ended", "friday", last="2026-10-23")
    weekly("second", "friday")
    weekly("first", "friday")
    call_off("second", None, by(at=NOON), SYSTEM)
    call_off("first", None, by(at=NOON + timedelta(hours=1)), SYSTEM)
    found = windows_by_time(there(), NOON)
    assert [window.id for window, _ in found.coming] == ["mondays", "tuesdays"]
    assert [window.id for window in found.over] == ["ended"]
    assert [row.id for row in found.off] == ["second", "first"]


def test_the_present_time_is_the_next_one() -> None:
    weekly("saturdays", "saturday")
    assert window_now_or_soon(there(), NOON) == coming_times(as_planned(there().windows[0]), there().clock, NOON)[0]
    found = window_now_or_soon(there(), NOON)
    assert found is not None and found.starts_at <= NOON < found.ends_at


def test_what_comes_in_more_than_four_weeks_is_not_soon() -> None:
    comes = {"kind": "once", "anchor": {"civil": "2026-11-22T10:00", "zone": "Europe/Lisbon"}, "minutes": 60}
    order(handlers.FixServiceWindow, id="once", venue="shed", name="Once", comes=comes)
    assert window_now_or_soon(there(), NOON) is None
    assert window_now_or_soon(there(), NOON + timedelta(days=1)) is not None


def test_times_on_a_date_are_told_when_they_are_over_too() -> None:
    weekly("tuesdays", "tuesday")
    (window,) = map(as_planned, there().windows)
    (found,) = times_on(window, there().clock, date(2026, 10, 20))
    assert found.starts_at == datetime.fromisoformat("2026-10-20T10:00:00+01:00")
    assert times_on(window, there().clock, date(2026, 10, 21)) == []
