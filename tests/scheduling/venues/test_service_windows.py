"""Service windows of a venue, fixed and called off, and the times that they come."""

from __future__ import annotations

from datetime import UTC, datetime, timedelta
from typing import Any

import pytest

from machines.chance import SYSTEM
from machines.errors import InputError
from scheduling.commands import handlers
from scheduling.commands.service_windows import call_off
from scheduling.log.models import Event, ServiceWindow, Venue
from scheduling.log.remarks import text_of
from scheduling.queries.names import Unknown
from scheduling.queries.venue_context import venue_context
from scheduling.venues.service_windows import windows_of
from tests.scheduling.house import NOON, by, furnish, order

pytestmark = pytest.mark.django_db
ROUNDS = {"kind": "weekly", "weekday": "tuesday", "begins": "10:00", "ends": "11:30"}


def fix(id: str, **comes: Any) -> None:
    order(handlers.FixServiceWindow, id=id, venue="shed", name=id.title(), comes=comes)


def coming(days: float = 14.0) -> list[tuple[str, datetime, datetime]]:
    """At the shed, from noon on 24 October 2026, a Saturday; Lisbon's clocks go back to UTC on the 25th."""
    found = windows_of(venue_context(Venue.objects.get(id="shed")), NOON, NOON + timedelta(days=days))
    return [(one.window, one.starts_at, one.ends_at) for one in found]


def utc(*parts: int) -> datetime:
    return datetime(2026, *parts, tzinfo=UTC)  # type: ignore[arg-type, misc]


def test_weekly_windows_and_single_ones_by_the_clock_and_by_the_sky() -> None:
    furnish()
    fix("rounds", **ROUNDS)
    fix("visit", kind="once", anchor={"civil": "2026-10-25T09:00", "zone": "Europe/Lisbon"}, minutes=60)
    fix("dusk", kind="once", anchor={"event": "sunset", "date": "2026-10-28"}, minutes=30)
    found = coming()
    assert [one[0] for one in found] == ["visit", "rounds", "dusk", "rounds"]
    assert found[0][1:] == (utc(10, 25, 9), utc(10, 25, 10))
    assert found[1][1:] == (utc(10, 27, 10), utc(10, 27, 11, 30))
    assert found[2][1].replace(minute=0, second=0, microsecond=0) == utc(10, 28, 17)
    assert found[2][2] - found[2][1] == timedelta(minutes=30)
    row = ServiceWindow.objects.get(id="dusk")
    assert (row.venue_id, row.name, row.begins_at) == ("shed", "Dusk", found[2][1])
    assert row.comes["anchor"] == {"event": "sunset", "date": "2026-10-28"}


def test_one_that_is_called_off_comes_no_more_and_its_row_stays() -> None:
    furnish()
    fix("rounds", **ROUNDS)
    fix("friday", **(ROUNDS | {"weekday": "friday"}))
    call_off("rounds", "closed for works", by(at=NOON), SYSTEM)
    assert [one[0] for one in coming()] == ["friday", "friday"]
    row = ServiceWindow.objects.get(id="rounds")
    assert (row.called_off_at, text_of(row.called_off_remark), row.comes["weekday"]) == (
        NOON,
        "closed for works",
        "tuesday",
    )


@pytest.mark.parametrize(("hour", "minute", "times"), [(9, 59, 1), (10, 0, 1), (11, 29, 1), (11, 30, 2), (12, 0, 2)])
def test_where_somebody_was_they_were_though_it_is_called_off_later(hour: int, minute: int, times: int) -> None:
    """Before, at the beginning of, in the middle of and after the second time that it comes."""
    furnish()
    fix("rounds", **ROUNDS)
    call_off("rounds", None, by(at=utc(11, 3, hour, minute)), SYSTEM)
    assert coming() == [("rounds", utc(*day, 10), utc(*day, 11, 30)) for day in ((10, 27), (11, 3))][:times]


def test_called_off_again_nothing_is_written() -> None:
    furnish()
    fix("rounds", **ROUNDS)
    for reason in ("ill", "still ill"):
        call_off("rounds", reason, by(), SYSTEM)
    assert Event.objects.filter(kind="service-window-called-off").count() == 1
    assert text_of(ServiceWindow.objects.get().called_off_remark) == "ill"


def test_one_date_is_called_off_and_the_others_stand() -> None:
    furnish()
    fix("rounds", **ROUNDS)
    for _ in range(2):
        call_off("rounds", "a holiday", by(), SYSTEM, "2026-11-03")
    assert coming(28) == [("rounds", utc(*day, 10), utc(*day, 11, 30)) for day in ((10, 27), (11, 10), (11, 17))]
    row = ServiceWindow.objects.get()
    assert (row.dates_off, row.called_off_at) == (["2026-11-03"], None)
    assert Event.objects.filter(kind="service-window-called-off").count() == 1
    call_off("rounds", None, by(), SYSTEM)
    call_off("rounds", None, by(), SYSTEM, "2026-11-10")  # it is off as a whole: nothing is written
    assert Event.objects.filter(kind="service-window-called-off").count() == 2
    assert ServiceWindow.objects.get().dates_off == ["2026-11-03"]


def test_what_cannot_be_called_off() -> None:
    furnish()
    with pytest.raises(Unknown, match="there is no service window 'rounds'"):
        call_off("rounds", None, by(), SYSTEM)
    fix("rounds", **ROUNDS)
    with pytest.raises(InputError, match="501 characters") as refused:
        call_off("rounds", "x" * 501, by(), SYSTEM)
    assert refused.value.field == "reason"
    assert ServiceWindow.objects.get().called_off_at is None


def test_windows_of_another_venue_are_not_ours() -> None:
    furnish()
    there = {"name": "Loft", "latitude_degrees": 47.6, "longitude_degrees": -52.7, "zone": "America/St_Johns"}
    order(handlers.AddVenue, id="loft", **there)
    order(handlers.FixServiceWindow, id="rounds", venue="loft", name="Rounds", comes=ROUNDS)
    assert coming() == []
    (first, _) = windows_of(venue_context(Venue.objects.get(id="loft")), NOON, NOON + timedelta(days=14))
    assert first.starts_at == utc(10, 27, 12, 30)  # St John's changes its clocks a week after Lisbon: still -2:30


@pytest.mark.parametrize(
    ("comes", "field"),
    [
        ({"kind": "once", "anchor": {"civil": "2026-10-25T01:30", "zone": "Europe/Lisbon"}, "minutes": 30}, "civil"),
        ({"kind": "once", "anchor": {"civil": "2026-03-29T01:30", "zone": "Europe/Lisbon"}, "minutes": 30}, "civil"),
        ({"kind": "once", "anchor": {"event": "tea", "date": "2026-10-25"}, "minutes": 30}, "event"),
        ({"kind": "once", "anchor": {}, "minutes": 30}, ""),
    ],
)
def test_an_anchor_that_names_no_instant_is_refused_by_name(comes: dict[str, Any], field: str) -> None:
    furnish()
    with pytest.raises(InputError) as refused:
        fix("visit", **comes)
    assert refused.value.field == f"comes.anchor.{field}".rstrip(".")
    assert not ServiceWindow.objects.exists()


def test_a_venue_that_does_not_exist_and_an_id_that_is_taken() -> None:
    with pytest.raises(Unknown):
        fix("rounds", **ROUNDS)
    furnish()
    fix("rounds", **ROUNDS)
    fix("rounds", **ROUNDS)  # the very same, given again
    with pytest.raises(handlers.IdInUse):
        fix("rounds", **ROUNDS | {"begins": "10:30"})
