"""What stands in a venue's calendar: what, when, under which name, and since when it is so."""

from __future__ import annotations

from datetime import UTC, date, datetime, timedelta
from pathlib import Path
from uuid import UUID, uuid5

import pytest
from django.db import connection
from django.test.utils import CaptureQueriesContext

from machines.errors import InputError
from machines.recovery import Policy
from scheduling.calendar.entries import CalendarEntry, CalendarSpan
from scheduling.calendar.sky_entries import SKY, USUAL_SKY, check_sky
from scheduling.calendar.venue_calendar import venue_calendar
from scheduling.log.events.equipment import HoursSet, QuietHoursSet
from scheduling.log.events.visits import ServiceWindowCalledOff
from scheduling.log.integrity.archive import close_streams
from scheduling.log.models import Event, Venue
from scheduling.planning.days_spans import DAYS
from scheduling.planning.opening_hours import DateHours, Hours, OpenSpan, Week
from scheduling.planning.quiet_hours import QuietDate, QuietHours, QuietSpan, QuietWeek
from scheduling.planning.service_windows import Weekly
from scheduling.queries.runs import venue_place
from scheduling.rendering.plate_store import PlateStore
from scheduling.sky import almanac
from scheduling.sky.ephemeris import EphemerisRangeError
from tests.scheduling.log.facts import (
    NOW,
    a_run_on_a_machine,
    at,
    by,
    gap_settled,
    opening,
    printed,
    run,
    say,
    service_once,
    service_weekly,
    venue,
)

pytestmark = pytest.mark.django_db
WIDE = CalendarSpan.around(NOW, timedelta(days=28), timedelta(days=365))


def entries(span: CalendarSpan = WIDE, sky: tuple[str, ...] = (), id: str = "boathouse") -> dict[str, CalendarEntry]:
    found = venue_calendar(Venue.objects.get(id=id), span, NOW, PlateStore(Path("/nowhere")), sky)
    assert [one.starts_at.isoformat() for one in found.entries] == sorted(
        one.starts_at.isoformat() for one in found.entries
    )
    return {one.title: one for one in found.entries}


def closed_on(*days: str) -> HoursSet:
    """Open every day but on these."""
    every = (OpenSpan(opens="10:00", closes="18:00"),)
    return HoursSet(
        hours=Hours(week=Week(**dict.fromkeys(DAYS, every)), dates=tuple(DateHours(date=day) for day in days))
    )


def test_a_span_is_of_whole_days_of_utc() -> None:
    late = datetime(2026, 3, 28, 23, 30, tzinfo=UTC)
    span = CalendarSpan.around(late, timedelta(days=1), timedelta(hours=1))
    assert (span.start, span.end) == (datetime(2026, 3, 27, tzinfo=UTC), datetime(2026, 3, 30, tzinfo=UTC))


def test_what_begins_outside_of_the_span_is_left_out() -> None:
    a_run_on_a_machine(0)
    say("opening/first", opening())
    opens_at = next(one.starts_at for one in entries().values() if one.category == "opening")
    assert isinstance(opens_at, datetime)
    second = timedelta(seconds=1)
    for span, is_in in (
        (CalendarSpan(opens_at, opens_at + second), True),
        (CalendarSpan(opens_at - second, opens_at), False),
        (CalendarSpan(opens_at + second, opens_at + 2 * second), False),
    ):
        assert any(one.category == "opening" for one in entries(span).values()) == is_in


def test_a_run_that_waits_ends_later_under_the_same_name() -> None:
    a_run_on_a_machine(0, 1, 2)
    before = entries()
    say("machine/left", printed(1, 0, 60), minutes=70)
    assert entries() == before
    waits = gap_settled(2, 60, 60, 90, policy=Policy(kind="shift"), facts={"missing_since": at(60)})
    say("machine/left", waits, minutes=100)
    after = entries()
    begins, ends = (next(title for title in before if word in title) for word in ("begins", "has printed"))
    assert after[begins] == before[begins]
    moved = after[ends].starts_at, before[ends].starts_at
    assert isinstance(moved[0], datetime) and isinstance(moved[1], datetime) and moved[0] > moved[1]
    assert after[ends].uid == before[ends].uid
    assert (before[ends].revision, after[ends].revision) == (0, 1)
    assert (before[ends].changed_at, after[ends].changed_at) == (NOW, at(100))


def test_the_questions_to_the_database_do_not_grow_with_the_runs() -> None:
    a_run_on_a_machine(0)
    counts = []
    for number in range(3):
        if number:
            later = timedelta(days=2 * number)
            say(f"run/later-{number}", run(starts_at=NOW + later, ends_at=NOW + later + timedelta(days=1)))
        entries()  # which makes the forecast of this hour
        boathouse = Venue.objects.get()
        with CaptureQueriesContext(connection) as asked:
            found = venue_calendar(boathouse, WIDE, NOW, PlateStore(Path("/nowhere")), ()).entries
        counts.append((sum(one.category == "run" for one in found), len(asked)))
    assert [runs for runs, _ in counts] == [2, 4, 6]
    assert len({queries for _, queries in counts}) == 1


def test_a_run_whose_picture_was_archived_is_named_by_the_pictures_id(tmp_path: Path) -> None:
    a_run_on_a_machine(0)
    close_streams(["source/land"], tmp_path / "archive.jsonl", by(), key=None)
    assert any(title.endswith("begins to print land") for title in entries())


def test_a_local_date_that_was_skipped_has_no_hours() -> None:
    """Samoa had no 30 December 2011 (the zone database's rules of Pacific/Apia)."""
    say("venue/apia", venue(zone="Pacific/Apia"), closed_on("2011-12-29", "2011-12-30", "2011-12-31"))
    span = CalendarSpan(datetime(2011, 12, 1, tzinfo=UTC), datetime(2012, 1, 31, tzinfo=UTC))
    found = venue_calendar(Venue.objects.get(), span, NOW, PlateStore(Path("/nowhere")), ())
    assert [one.starts_at for one in found.entries] == [date(2011, 12, 29), date(2011, 12, 31)]


def test_hours_that_were_never_set_are_not_those_of_a_closed_venue() -> None:
    say("venue/boathouse", venue())
    assert entries() == {}


def test_a_date_is_changed_when_the_hours_are() -> None:
    say("venue/boathouse", venue())
    say("venue/boathouse", closed_on("2026-12-24"), minutes=5)
    (before,) = entries().values()
    say("venue/boathouse", closed_on("2026-12-24", "2026-12-26"), minutes=65)
    after = venue_calendar(Venue.objects.get(), WIDE, NOW, PlateStore(Path("/nowhere")), ()).entries
    assert [one.starts_at for one in after] == [date(2026, 12, 24), date(2026, 12, 26)]
    assert (before.uid, before.changed_at, before.revision) == (after[0].uid, at(5), 1)
    assert (after[0].changed_at, after[0].revision) == (at(65), 2)


def test_a_date_with_other_quiet_hours_says_what_that_means() -> None:
    say("venue/boathouse", venue())
    night = (QuietSpan(begins="22:00", ends="07:00"),)
    early = (QuietSpan(begins="20:00", ends="07:00"),)
    dates = (
        QuietDate(date="2026-12-24", quiet=early),
        QuietDate(date="2026-12-26"),
        QuietDate(date="2026-12-27", quiet=night),
    )
    week = QuietWeek(**dict.fromkeys(DAYS, night))
    say("venue/boathouse", QuietHoursSet(quiet=QuietHours(week=week, dates=dates)), minutes=5)
    found = entries()
    assert [*found] == ["Quiet 20:00-07:00: The Boathouse", "No quiet hours: The Boathouse"]
    assert "strips are not cut" in found["Quiet 20:00-07:00: The Boathouse"].description
    assert {one.changed_at for one in found.values()} == {at(5)}


def test_two_studios_never_give_the_same_name() -> None:
    """The same ids and the same words at another minute are another venue."""
    say("venue/boathouse", venue())
    say("venue/other", venue(), minutes=1)
    sky = ("sunset",)
    ours, others = entries(sky=sky), entries(sky=sky, id="other")
    assert ours.keys() == others.keys() != set()
    assert not {one.uid for one in ours.values()} & {one.uid for one in others.values()}


def test_what_is_the_same_at_every_venue_has_one_name_in_each_calendar() -> None:
    """A full moon is one thing, whichever venue's calendar shows it. What people were once told as one, stays one: a
    change here gives them everything twice."""
    say("venue/other", venue())
    say("venue/boathouse", venue(zone="Pacific/Chatham"), minutes=1)
    ours, others = (entries(sky=("full-moon",), id=id)["Full moon"] for id in ("boathouse", "other"))
    house = UUID(hex=Event.objects.earliest("position").digest[:32])
    assert ours.uid == others.uid == str(uuid5(house, f"sky/full-moon/{ours.starts_at:%Y-%m-%dT%H}"))
    assert (ours.starts_at, ours.venue) == (others.starts_at, None)
    assert ours.description != others.description, "each by its own clock"


def test_the_sky_of_a_place_as_its_people_read_it() -> None:
    """The almanac itself is held against published tables in `tests/reference`."""
    say("venue/boathouse", venue())
    span = CalendarSpan(datetime(2026, 6, 21, 12, tzinfo=UTC), datetime(2026, 6, 22, 12, tzinfo=UTC))
    found = entries(span, ("sunset",))["Sunset"]
    (event,) = almanac.find("sunset", span.start, span.end, venue_place(venue="boathouse"))
    assert found.starts_at == event.at
    assert found.description == "2026-06-21 21:02 by the clock of America/St_Johns"


def test_the_kinds_of_the_sky_are_those_that_need_no_more_than_a_name() -> None:
    check_sky(SKY)
    assert set(USUAL_SKY) <= set(SKY)
    assert "sun-rising" not in SKY and "moon-over-meridian" not in SKY
    for kinds in (("moonbeam",), ("sun-rising",), ("",), ("sunset", "sunset")):
        with pytest.raises(InputError) as refused:
            check_sky(kinds)
        assert refused.value.field == "sky"


def test_beyond_the_ephemeris_it_says_so() -> None:
    say("venue/boathouse", venue())
    with pytest.raises(EphemerisRangeError):
        entries(CalendarSpan(datetime(2190, 1, 1, tzinfo=UTC), datetime(2190, 2, 1, tzinfo=UTC)), ("full-moon",))


# Service windows.


def test_a_window_that_comes_once_keeps_its_name_when_it_moves_and_goes_when_it_is_called_off() -> None:
    say("venue/boathouse", venue())
    say("service/roll", service_once(), minutes=5)
    (before,) = entries().values()
    assert (before.title, before.category) == ("Service: New roll", "service")
    assert (before.starts_at, before.ends_at) == (at(1260), at(1260 + 45))
    say("service/roll", service_once(minutes=4000), minutes=65)
    (after,) = entries().values()
    assert (after.uid, after.starts_at) == (before.uid, at(4000))
    assert ((before.revision, before.changed_at), (after.revision, after.changed_at)) == ((0, at(5)), (1, at(65)))
    say("service/roll", ServiceWindowCalledOff(reason=None), minutes=66)
    assert entries() == {}


@pytest.mark.parametrize(
    ("zone", "around", "starts", "ends"),
    [
        # Newfoundland springs forward on Sunday 2026-03-08 at 02:00, from -03:30 to -02:30 (rule Canada).
        (
            "America/St_Johns",
            date(2026, 3, 8),
            ["0301T0300", "0308T0300", "0315T0200"],
            ["0301T0730", "0308T0630", "0315T0630"],
        ),
        # Chatham falls back on Sunday 2026-04-05 at 03:45 daylight time, from +13:45 to +12:45 (rule Chatham).
        (
            "Pacific/Chatham",
            date(2026, 4, 5),
            ["0328T0945", "0404T0945", "0411T1045"],
            ["0328T1415", "0404T1515", "0411T1515"],
        ),
    ],
)
def test_a_weekly_window_follows_the_clocks_of_the_venue(
    zone: str, around: date, starts: list[str], ends: list[str]
) -> None:
    """Saturdays from 23:30 to 04:00, over a night in which the clocks change."""
    say("venue/boathouse", venue(zone=zone))
    comes = Weekly(weekday="saturday", begins="23:30", ends="04:00")
    say("service/rounds", service_weekly(comes=comes))
    middle = datetime(around.year, around.month, around.day, tzinfo=UTC)
    span = CalendarSpan(middle - timedelta(days=9), middle + timedelta(days=8))
    found = venue_calendar(Venue.objects.get(), span, NOW, PlateStore(Path("/nowhere")), ()).entries
    assert [f"{one.starts_at:%m%dT%H%M}" for one in found] == starts
    assert [f"{one.ends_at:%m%dT%H%M}" for one in found] == ends
    assert len({one.uid for one in found}) == 3


def test_a_weekly_window_is_known_again_when_its_hour_moves() -> None:
    say("venue/boathouse", venue())
    say("service/rounds", service_weekly())
    before = venue_calendar(Venue.objects.get(), WIDE, NOW, PlateStore(Path("/nowhere")), ()).entries
    say("service/rounds", service_weekly(begins="09:00"), minutes=5)
    after = venue_calendar(Venue.objects.get(), WIDE, NOW, PlateStore(Path("/nowhere")), ()).entries
    assert len(before) > 50
    assert [one.uid for one in after] == [one.uid for one in before]
    assert [one.starts_at for one in after] != [one.starts_at for one in before]
