from __future__ import annotations

from datetime import UTC, date, datetime, timedelta
from typing import Any
from zoneinfo import ZoneInfo

import pytest
from hypothesis import given
from hypothesis import strategies as st

from machines.errors import InputError
from scheduling.sky import almanac
from scheduling.sky.anchors import (
    Anchor,
    AnchorError,
    CivilAnchor,
    CivilTimeError,
    EventAnchor,
    NoEventError,
    SeveralEventsError,
    parse,
    resolve,
)
from scheduling.sky.civil import day_bounds
from scheduling.sky.ephemeris import EphemerisRangeError
from scheduling.sky.places import Place
from scheduling.sky.zones import ZoneError, zone

LISBON, IN_LISBON = Place(38.72, -9.14), zone("Europe/Lisbon")
TROMSO, IN_OSLO = Place(69.65, 18.96), zone("Europe/Oslo")
REYKJAVIK, IN_REYKJAVIK = Place(64.15, -21.94), zone("Atlantic/Reykjavik")


def utc(*parts: int) -> datetime:
    return datetime(*parts, tzinfo=UTC)  # type: ignore[arg-type, misc]


def at(data: dict[str, Any], place: Place = LISBON, there: Any = IN_LISBON) -> datetime:
    return resolve(parse(data), place, there)


# By a civil time.


def test_by_a_local_civil_time() -> None:
    assert at({"civil": "2026-07-01T19:30:00", "zone": "Europe/Lisbon"}) == utc(2026, 7, 1, 18, 30)
    assert at({"civil": "2026-01-01T19:30", "zone": "America/St_Johns"}) == utc(2026, 1, 1, 23, 0)
    assert at({"civil": "2026-01-01T19:30:00.25", "zone": "Pacific/Chatham"}) == utc(2026, 1, 1, 5, 45, 0, 250_000)


def test_the_zone_is_the_anchors_own_and_not_the_venues() -> None:
    anchor = {"civil": "2026-07-01T12:00:00", "zone": "America/St_Johns"}
    assert at(anchor) == at(anchor, TROMSO, IN_OSLO) == utc(2026, 7, 1, 14, 30)


@pytest.mark.parametrize("text", ["2026-10-25T01:30:00", "2026-03-29T01:30:00"])
def test_a_time_with_two_readings_is_refused_unless_the_anchor_says_which(text: str) -> None:
    with pytest.raises(CivilTimeError) as refused:
        at({"civil": text, "zone": "Europe/Lisbon"})
    for reading in refused.value.readings:
        chosen = at({"civil": text, "zone": "Europe/Lisbon", "which": reading.which})
        assert chosen == reading.utc


# By an event.


def test_forty_minutes_before_sunset() -> None:
    start, end = day_bounds(date(2026, 6, 21), IN_LISBON)
    (sunset,) = almanac.find("sunset", start, end, LISBON)
    anchor = {"event": "sunset", "date": "2026-06-21", "offset": "-PT40M"}
    assert at(anchor) == sunset.at - timedelta(minutes=40)


@pytest.mark.parametrize(
    "anchor",
    [
        {"event": "new-moon", "date": "2026-08-12"},
        {"event": "sun-over-meridian", "date": "2026-08-12", "longitude": -45.5},
        {"event": "sun-setting", "date": "2026-08-12", "altitude_degrees": 6},
        {"event": "lunar-eclipse", "date": "2026-08-28", "offset": "PT1H"},
        {"event": "june-solstice", "date": "2026-06-21"},
    ],
)
def test_by_any_event(anchor: dict[str, Any]) -> None:
    options = {name: anchor[name] for name in ("longitude", "altitude_degrees") if name in anchor}
    start, end = day_bounds(date.fromisoformat(anchor["date"]), IN_LISBON)
    (event,) = almanac.find(anchor["event"], start, end, LISBON, **options)
    assert at(anchor) == event.at + (timedelta(hours=1) if "offset" in anchor else timedelta(0))


@given(st.integers(0, 365))
def test_the_date_is_the_local_one_at_the_venue(days: int) -> None:
    """In the Chatham Islands the sunrise of a date comes on the UTC date before."""
    chatham, place = zone("Pacific/Chatham"), Place(-43.95, -176.55)
    day = date(2026, 1, 1) + timedelta(days=days)
    sunrise = resolve(EventAnchor("sunrise", day), place, chatham)
    assert sunrise.astimezone(chatham).date() == day
    assert sunrise.date() == day - timedelta(days=1)


def test_an_event_that_does_not_happen_that_day_names_the_nearest_dates() -> None:
    with pytest.raises(NoEventError) as refused:
        at({"event": "sunset", "date": "2026-06-21"}, TROMSO, IN_OSLO)
    before, after = refused.value.before, refused.value.after
    assert before is not None
    assert after is not None
    assert (str(before.at.date()), str(after.at.date())) == ("2026-05-18", "2026-07-26")
    assert before.at.tzinfo is after.at.tzinfo is IN_OSLO
    assert "2026-05-18 and 2026-07-26" in str(refused.value)
    assert refused.value.field == "date"
    for nearest in (before, after):
        assert at({"event": "sunset", "date": str(nearest.at.date())}, TROMSO, IN_OSLO) == nearest.utc


def test_a_day_without_a_transit_of_the_moon() -> None:
    with pytest.raises(NoEventError) as refused:
        at({"event": "moon-transit", "date": "2026-01-02"})
    assert refused.value.before is not None
    assert refused.value.after is not None
    assert refused.value.after.at - refused.value.before.at < timedelta(hours=26)


def test_an_event_that_never_happens_there_says_so() -> None:
    with pytest.raises(NoEventError, match="nor is there within 400 days"):
        at({"event": "sun-rising", "date": "2026-06-21", "altitude_degrees": 80.0}, TROMSO, IN_OSLO)


def test_two_sunsets_on_one_date_are_refused_unless_the_anchor_says_which() -> None:
    anchor = {"event": "sunset", "date": "2026-06-29"}
    with pytest.raises(SeveralEventsError) as refused:
        at(anchor, REYKJAVIK, IN_REYKJAVIK)
    first, last = refused.value.readings
    assert (first.at.hour, last.at.hour) == (0, 23)
    assert refused.value.field == "which"
    assert at(anchor | {"which": "earlier"}, REYKJAVIK, IN_REYKJAVIK) == first.utc
    assert at(anchor | {"which": "later", "offset": "PT1S"}, REYKJAVIK, IN_REYKJAVIK) == last.utc + timedelta(seconds=1)


@pytest.mark.parametrize("day", ["1900-01-01", "2053-10-05", "2053-10-06", "2053-10-07", "2060-06-21", "2100-12-31"])
@pytest.mark.parametrize("kind", ["sunset", "moonrise", "new-moon", "perigee", "june-solstice", "lunar-eclipse"])
@pytest.mark.parametrize(("place", "its_zone"), [(LISBON, IN_LISBON), (Place(90.0, 0.0), zone("Pacific/Kiritimati"))])
def test_at_the_end_of_the_ephemeris_there_is_an_instant_or_the_date_is_to_blame(
    day: str, kind: str, place: Place, its_zone: ZoneInfo
) -> None:
    anchor = {"event": kind, "date": day}
    try:
        found = at(anchor, place, its_zone)
    except InputError as error:
        assert error.field == "date"
        assert str(error).startswith("date: ")
        assert isinstance(error, EphemerisRangeError | NoEventError)
    else:
        assert found.astimezone(its_zone).date().isoformat() == day


def test_outside_the_ephemeris() -> None:
    with pytest.raises(EphemerisRangeError, match=r"date: 2060-06-2\d is outside the ephemeris"):
        at({"event": "sunset", "date": "2060-06-21"})


# JSON.


@pytest.mark.parametrize(
    "data",
    [
        {"civil": "2026-10-25T01:30:00", "zone": "Europe/Lisbon", "which": "later"},
        {"civil": "2026-10-25T11:30:00", "zone": "America/St_Johns"},
        {"event": "sunset", "date": "2026-06-21"},
        {"event": "sunset", "date": "2026-06-21", "offset": "-PT40M", "which": "earlier"},
        {"event": "sun-over-meridian", "date": "2026-06-21", "longitude": 12.5},
        {"event": "moon-rising", "date": "2026-06-21", "offset": "P1DT2H", "altitude_degrees": -3.0},
    ],
)
def test_json_there_and_back(data: dict[str, Any]) -> None:
    assert parse(data).to_json() == data
    assert parse(parse(data).to_json()) == parse(data)


anchors = st.one_of(
    st.builds(
        CivilAnchor,
        civil=st.datetimes(datetime.fromisoformat("1900-01-01"), datetime.fromisoformat("2100-12-31")),
        zone=st.sampled_from(["Europe/Lisbon", "Pacific/Chatham"]),
        which=st.sampled_from([None, "earlier", "later"]),
    ),
    st.builds(
        EventAnchor,
        event=st.sampled_from([name for name, kind in almanac.SKY_EVENT_KINDS.items() if not kind.options]),
        date=st.dates(date(1900, 1, 1), date(2100, 12, 31)),
        offset=st.timedeltas(timedelta(days=-366), timedelta(days=366)),
        which=st.sampled_from([None, "earlier", "later"]),
    ),
)


@given(anchors)
def test_any_anchor_survives_json(anchor: Anchor) -> None:
    assert parse(anchor.to_json()) == anchor


@pytest.mark.parametrize("kind", almanac.SKY_EVENT_KINDS)
def test_every_event_of_the_almanac_names_an_instant(kind: str) -> None:
    """Seasons, phases and eclipses as well as what comes every day."""
    options = {"longitude": 12.0, "altitude_degrees": 20.0}
    options = {name: options[name] for name in almanac.SKY_EVENT_KINDS[kind].options}
    _, found = almanac.nearest(kind, utc(2026, 3, 21), LISBON, **options)
    assert found is not None
    day = str(found.at.astimezone(IN_LISBON).date())
    assert at({"event": kind, "date": day, "which": "earlier", "offset": "PT1H"} | options) == found.at + timedelta(
        hours=1
    )


# What is refused.


@pytest.mark.parametrize(
    ("data", "field"),
    [
        (None, ""),
        ([], ""),
        ("sunset", ""),
        ({}, ""),
        ({"civil": "2026-10-25T01:30:00", "event": "sunset"}, ""),
        ({"civil": "2026-10-25T01:30:00"}, "zone"),
        ({"civil": "2026-10-25T01:30:00", "zone": "Europe/Lisbon", "offset": "PT1H"}, "offset"),
        ({"civil": "2026-10-25T01:30:00", "zone": "Europe/Lisbon", "which": "first"}, "which"),
        ({"civil": "2026-10-25T01:30:00Z", "zone": "Europe/Lisbon"}, "civil"),
        ({"civil": "2026-10-25T01:30:00+01:00", "zone": "Europe/Lisbon"}, "civil"),
        ({"civil": "2026-10-25", "zone": "Europe/Lisbon"}, "civil"),
        ({"civil": "2026-10-25T24:30:00", "zone": "Europe/Lisbon"}, "civil"),
        ({"civil": "2026-02-29T12:00:00", "zone": "Europe/Lisbon"}, "civil"),
        ({"civil": "0001-01-01T00:00:00", "zone": "Europe/Lisbon"}, "civil"),
        ({"civil": 1793000000, "zone": "Europe/Lisbon"}, "civil"),
        ({"civil": "2026-10-25T01:30:00", "zone": 1}, "zone"),
        ({"event": "sunset"}, "date"),
        ({"event": "sunset", "date": "21 June 2026"}, "date"),
        ({"event": "sunset", "date": "2026-06-31"}, "date"),
        ({"event": "sunset", "date": "20260621"}, "date"),
        ({"event": "sunset", "date": "9999-12-31"}, "date"),
        ({"event": "sunset", "date": None}, "date"),
        ({"event": "moonshine", "date": "2026-06-21"}, "event"),
        ({"event": ["sunset"], "date": "2026-06-21"}, "event"),
        ({"event": "sunset", "date": "2026-06-21", "offset": "40 minutes before"}, "offset"),
        ({"event": "sunset", "date": "2026-06-21", "offset": -40}, "offset"),
        ({"event": "sunset", "date": "2026-06-21", "offset": "P366DT1S"}, "offset"),
        ({"event": "sunset", "date": "2026-06-21", "offset": "-P800000D"}, "offset"),
        ({"event": "sunset", "date": "2026-06-21", "offset": "P999999999D"}, "offset"),
        ({"event": "sunset", "date": "2026-06-21", "which": True}, "which"),
        ({"event": "sunset", "date": "2026-06-21", "longitude": 12.0}, "longitude"),
        ({"event": "sun-over-meridian", "date": "2026-06-21"}, "longitude"),
        ({"event": "sun-over-meridian", "date": "2026-06-21", "longitude": 190}, "longitude"),
        ({"event": "sun-rising", "date": "2026-06-21", "altitude_degrees": "6"}, "altitude_degrees"),
    ],
)
def test_what_is_no_anchor_is_refused_by_its_field(data: Any, field: str) -> None:
    with pytest.raises(InputError) as refused:
        parse(data)
    assert refused.value.field == field
    assert refused.value.problem
    assert refused.value.remedy


def test_an_unknown_zone_is_refused() -> None:
    with pytest.raises(ZoneError):
        parse({"civil": "2026-10-25T01:30:00", "zone": "Europe/Atlantis"})


def test_errors_are_of_one_family() -> None:
    for kind in (AnchorError, NoEventError, SeveralEventsError, CivilTimeError, ZoneError):
        assert issubclass(kind, InputError)
