"""A venue's calendar as a feed: read back by a library, and held against the rules of RFC 5545 and RFC 7986 one by one.

Sections in the names of checks are of RFC 5545 unless another one is named.
"""

from __future__ import annotations

import json
import re
from collections.abc import Iterator
from datetime import UTC, date, datetime, timedelta
from typing import Any
from uuid import UUID, uuid5

import icalendar
import pytest
from django.http import HttpResponse
from django.test import Client

import server.api.calendar
from scheduling.calendar.sky_entries import SKY
from scheduling.log import models
from scheduling.log.events.visits import OpeningFixed, ServiceWindowFixed
from scheduling.log.store import Append, append
from scheduling.planning.service_windows import Weekly
from server.accounts.open_pages import may_read_calendar
from tests.scheduling.house import by
from tests.server.api.test_bad_input import problem
from tests.server.studio import FAR_VENUE, OPENING, VENUE, Caller, HeldClock

FEED = "venues/quay/calendar.ics"
NO_SKY = f"{FEED}?sky="
INSTANT = re.compile(r"(DTSTART|DTSTAMP|LAST-MODIFIED):[0-9]{8}T[0-9]{6}Z", re.ASCII)
ST_JOHNS = VENUE | {"id": "rock", "name": "Rock House", "zone": "America/St_Johns", "latitude_degrees": 47.56}
# RFC 5545 section 3.1: each long text below is longer than a line, and of octets that must not be torn apart.
HOSTILE = [
    'Two\nlines; and, a back\\slash: "quoted"',
    "BEGIN:VEVENT\r\nUID:not-ours\r\nEND:VEVENT",
    "Öffnung — " * 11,
    "🌒" * 120,
    "\u0085next\u2028line\u2029paragraph",
    "x" * 120,
    "tab\there",
    "\\n is not a line",
]


def fetch(path: str = FEED, **headers: str) -> HttpResponse:
    """Without any key, as calendar programs ask."""
    response = Caller().get(path, **headers)
    assert response.status_code == 200, response.content
    return response


def read(path: str = FEED) -> icalendar.Calendar:
    calendar = icalendar.Calendar.from_ical(fetch(path).content)
    assert isinstance(calendar, icalendar.Calendar)
    for event in calendar.walk("VEVENT"):
        assert not event.errors
    return calendar


def events(path: str = FEED, category: str | None = None) -> list[Any]:
    found = read(path).walk("VEVENT")
    return [one for one in found if category in (None, *one.categories)]


def starts(path: str, category: str) -> dict[str, Any]:
    return {str(one["summary"]): one["dtstart"].dt for one in events(path, category)}


def lines(body: bytes) -> Iterator[str]:
    """Unfolded, section 3.1."""
    yield from body.replace(b"\r\n ", b"").decode().removesuffix("\r\n").split("\r\n")


@pytest.fixture
def quay(studio: Caller) -> Caller:
    studio.create("venues", VENUE)
    studio.create("openings", OPENING)
    return studio


# What is in it.


def test_openings_stand_in_it_at_their_instants(quay: Caller) -> None:
    (found,) = events(category="opening")
    assert found["dtstart"].dt == datetime(2026, 3, 21, 19, tzinfo=UTC)
    assert found["summary"] == "Doors open: First night"
    assert found["location"] == "Quay House"
    assert found["description"] == "2026-03-21 19:00 by the clock of Europe/Lisbon"
    assert "dtend" not in found and "duration" not in found  # section 3.6.1: it ends when it starts


def test_only_those_of_the_venue(quay: Caller) -> None:
    quay.create("venues", FAR_VENUE)
    assert events("venues/shed/calendar.ics", "opening") == []


def test_dates_with_other_hours_are_whole_days(quay: Caller) -> None:
    """Section 3.3.4, DATE; section 3.6.1: without an end it is one day."""
    every = {"tuesday": [{"opens": "10:00", "closes": "18:00"}]}
    dates = [
        {"date": "2026-03-31", "open": []},  # a Tuesday
        {"date": "2026-04-07", "open": [{"opens": "10:00", "closes": "18:00"}]},  # a Tuesday as any
        {"date": "2026-04-08", "open": [{"opens": "20:00", "closes": "23:00"}, {"opens": "10:00", "closes": "12:00"}]},
        {"date": "2026-04-09", "open": []},  # a Thursday, closed as any
        {"date": "2031-01-01", "open": []},
    ]
    quay.put("venues/quay/hours?accept=true", {"week": every, "dates": dates})
    assert starts(FEED, "hours") == {
        "Closed: Quay House": date(2026, 3, 31),
        "Open 10:00-12:00, 20:00-23:00: Quay House": date(2026, 4, 8),
    }
    assert "DTSTART;VALUE=DATE:20260331" in list(lines(fetch().content))


def test_service_windows_begin_and_end(quay: Caller) -> None:
    """Section 3.6.1: DTEND is later than DTSTART and of its type."""
    window = ServiceWindowFixed(
        venue="quay", name="New roll", comes=Weekly(weekday="friday", begins="22:30", ends="01:00"), begins_at=None
    )
    append([Append("service/rounds", 0, [window])], by())
    found = events(NO_SKY, "service")
    assert len(found) == 57  # Fridays from four weeks back to a year ahead
    first = found[0]
    assert (first["summary"], first["location"]) == ("Service: New roll", "Quay House")
    assert first["dtstart"].dt == datetime(2026, 2, 20, 22, 30, tzinfo=UTC)
    assert all(one["dtend"].dt - one["dtstart"].dt == timedelta(minutes=150) for one in found)


def test_runs_begin_and_end(furnished: Caller) -> None:
    assert starts(NO_SKY, "run") == {
        "Wren 1 begins to print Land": datetime(2026, 3, 20, 12, tzinfo=UTC),
        "Wren 1 has printed Land": datetime(2026, 3, 23, 12, tzinfo=UTC),
    }


def test_the_usual_sky_is_the_phases_of_the_moon_and_the_quarters_of_the_year(quay: Caller) -> None:
    """Instants of 2026 from the US Naval Observatory's tables, in whole minutes."""
    found = events(category="sky")
    names = {str(one["summary"]) for one in found}
    phases = {"New moon", "First quarter", "Full moon", "Last quarter"}
    assert names == phases | {"March equinox", "June solstice", "September equinox", "December solstice"}
    first = {name: min(one["dtstart"].dt for one in found if one["summary"] == name) for name in names}
    assert abs(first["June solstice"] - datetime(2026, 6, 21, 8, 24, tzinfo=UTC)) <= timedelta(minutes=1)
    assert abs(first["Full moon"] - datetime(2026, 3, 3, 11, 38, tzinfo=UTC)) <= timedelta(minutes=1)
    assert 4 * 13 + 4 <= len(found) <= 4 * 14 + 5


def test_the_sky_can_be_chosen(quay: Caller) -> None:
    found = events(f"{FEED}?sky=sunrise,lunar-eclipse&back=P0D&ahead=P365D", "sky")
    rises = [one for one in found if one["summary"] == "Sunrise"]
    assert len(rises) in (366, 367)
    # NASA's catalogue of lunar eclipses has a partial one on 2026-08-28, greatest at 04:13 UT.
    eclipse = next(one for one in found if one["summary"] == "Partial lunar eclipse")
    assert abs(eclipse["dtstart"].dt - datetime(2026, 8, 28, 4, 13, tzinfo=UTC)) < timedelta(minutes=1)
    assert all("location" not in one for one in found)


def test_no_name_of_all_the_sky_is_given_twice(quay: Caller) -> None:
    """Section 3.8.4.7: a UID is globally unique."""
    quay.create("venues", VENUE | {"id": "north", "latitude_degrees": 69.65, "longitude_degrees": 18.96})
    found = []
    for first in range(0, len(SKY), 5):
        kinds = ",".join(SKY[first : first + 5])
        found += events(f"venues/north/calendar.ics?sky={kinds}&back=P92D&ahead=P366D", "sky")
    assert len(found) > 4000
    assert len({str(one["uid"]) for one in found}) == len(found)


# Clocks that change.


@pytest.mark.parametrize(
    ("venue", "civil", "which", "at"),
    [
        # Newfoundland, rule Canada: on 2026-03-08 at 02:00 from -03:30 to -02:30, on 2026-11-01 at 02:00 back.
        (ST_JOHNS, "2026-03-08T01:59", None, (2026, 3, 8, 5, 29)),
        (ST_JOHNS, "2026-03-08T03:00", None, (2026, 3, 8, 5, 30)),
        (ST_JOHNS, "2026-11-01T01:30", "earlier", (2026, 11, 1, 4, 0)),
        (ST_JOHNS, "2026-11-01T01:30", "later", (2026, 11, 1, 5, 0)),
        # Rule Chatham: at 02:45 standard time, +12:45; on 2026-04-05 back to it from +13:45, on 2026-09-27 forward.
        (FAR_VENUE, "2026-04-05T02:45", "earlier", (2026, 4, 4, 13, 0)),
        (FAR_VENUE, "2026-04-05T02:45", "later", (2026, 4, 4, 14, 0)),
        (FAR_VENUE, "2026-09-27T02:30", None, (2026, 9, 26, 13, 45)),
        (FAR_VENUE, "2026-09-27T03:45", None, (2026, 9, 26, 14, 0)),
    ],
)
def test_a_local_time_becomes_the_right_instant_when_clocks_change(
    studio: Caller, venue: dict[str, Any], civil: str, which: str | None, at: tuple[int, ...]
) -> None:
    studio.create("venues", venue)
    anchor = {"civil": civil, "zone": venue["zone"]} | ({} if which is None else {"which": which})
    studio.create("openings", OPENING | {"venue": venue["id"], "anchor": anchor})
    feed = f"venues/{venue['id']}/calendar.ics"
    (found,) = events(feed, "opening")
    expected = datetime(*at, tzinfo=UTC)  # type: ignore[arg-type, misc]
    assert found["dtstart"].dt == expected
    assert f"DTSTART:{expected:%Y%m%dT%H%M%SZ}" in list(lines(fetch(feed).content))
    assert str(found["description"]).startswith(civil.replace("T", " "))


# The rules of its form.


def test_the_head_of_the_calendar(quay: Caller) -> None:
    found = list(lines(fetch().content))
    assert (found[0], found[-1]) == ("BEGIN:VCALENDAR", "END:VCALENDAR")  # section 3.4
    head = dict(line.split(":", 1) for line in found[1 : found.index("BEGIN:VEVENT")])
    assert head["VERSION"] == "2.0"  # section 3.7.4
    assert head["PRODID"] == "-//Dayroll//Calendar of a venue//EN"  # section 3.7.3, a formal public identifier
    assert "METHOD" not in head  # section 3.7.2: with one it would be a message that asks for something
    assert head["NAME"] == "Quay House"  # RFC 7986 section 5.1
    assert head["REFRESH-INTERVAL;VALUE=DURATION"] == "PT1H"  # RFC 7986 section 5.7
    assert re.fullmatch("[0-9a-f]{8}(-[0-9a-f]{4}){3}-[0-9a-f]{12}", head["UID"])  # RFC 7986 section 5.3


def test_every_entry_has_what_it_must_have_once(furnished: Caller) -> None:
    """Section 3.6.1: UID, DTSTAMP and, without a METHOD, DTSTART once; the others of ours at most once. Sections
    3.3.5 form 2 and 3.8.7: instants in UTC, with Z and never with an offset."""
    body = fetch().content
    found = list(lines(body))
    entries = read().walk("VEVENT")
    assert len(entries) == found.count("BEGIN:VEVENT") > 50
    for entry in entries:
        names = [name for name, _ in entry.property_items()]
        assert {"UID", "DTSTAMP", "DTSTART", "SUMMARY", "TRANSP"} <= set(names)
        assert len(names) - 2 == len(set(names) - {"BEGIN", "END"})
        assert entry["transp"] == "TRANSPARENT"  # section 3.8.2.7
        if "sky" not in entry.categories:
            assert {"LAST-MODIFIED", "SEQUENCE"} <= set(names)
            assert entry["dtstamp"].dt == entry["last-modified"].dt  # section 3.8.7.2, where there is no METHOD
    instants = [line for line in found if line.startswith(("DTSTART", "DTEND", "DTSTAMP", "LAST-MODIFIED"))]
    assert all(INSTANT.fullmatch(line) for line in instants)


def test_lines_end_and_are_folded_as_they_must(quay: Caller) -> None:
    """Section 3.1: CRLF after every line, 75 octets at most without it, and UTF-8 (section 3.1.4)."""
    for number, name in enumerate(HOSTILE):
        quay.create("openings", OPENING | {"id": f"o{number}", "name": name})
    body = fetch().content
    assert body.endswith(b"\r\n")
    physical = body.removesuffix(b"\r\n").split(b"\r\n")
    assert not any(b"\n" in line or b"\r" in line for line in physical)
    assert 70 < max(map(len, physical)) <= 75
    assert any(line.startswith(b" ") for line in physical)
    for line in physical:
        line.decode()  # no character is torn apart, which section 3.1 asks of whoever can help it


@pytest.mark.parametrize("name", HOSTILE)
def test_a_hostile_name_stays_whole_and_makes_no_entry(quay: Caller, name: str) -> None:
    """Section 3.3.11: backslash, semicolon, comma and line feed are escaped."""
    quay.create("venues", VENUE | {"id": "v", "name": name})
    quay.create("openings", OPENING | {"id": "o", "venue": "v", "name": name})
    feed = "venues/v/calendar.ics?sky="
    said = name.replace("\r\n", "\n")
    (found,) = events(feed)
    assert found["summary"] == f"Doors open: {said}"
    assert found["location"] == said
    escaped = said.replace("\\", "\\\\").replace(";", "\\;").replace(",", "\\,").replace("\n", "\\n")
    assert {f"LOCATION:{escaped}", f"NAME:{escaped}"} <= set(lines(fetch(feed).content))


def test_a_control_character_is_replaced(quay: Caller) -> None:
    """Section 3.1: a text has no CONTROL; with one, no program could read any of the calendar."""
    quay.create("openings", OPENING | {"id": "bell", "name": "A\x07bell\x1b[1m"})
    titles = {str(one["summary"]) for one in events(NO_SKY)}
    assert "Doors open: A\ufffdbell\ufffd[1m" in titles


def test_what_turns_the_direction_of_a_text_is_replaced(quay: Caller) -> None:
    """Nobody can give such a name any more; the log may hold one."""
    quay.create("openings", OPENING | {"id": "bell"})
    refused = quay.post("openings", OPENING | {"id": "turned", "name": "A\u202ebell"})
    assert problem(refused, 422)["field"] == "name"
    models.Opening.objects.filter(id="bell").update(name="A\u202ebell\u2066s")
    assert "Doors open: A\ufffdbell\ufffds" in {str(one["summary"]) for one in events(NO_SKY)}


def test_a_calendar_with_nothing_in_it_is_one_all_the_same(studio: Caller) -> None:
    """Section 3.6: at least one component; it is the venue's time zone."""
    studio.create("venues", VENUE)
    (component,) = read(NO_SKY).subcomponents
    assert (component.name, component["tzid"]) == ("VTIMEZONE", "Europe/Lisbon")


# Fetched again.


def test_fetched_again_it_is_the_same_all_day(quay: Caller, clock: HeldClock) -> None:
    feed = f"{FEED}?sky=sunset"
    first = fetch(feed)
    clock.at += timedelta(hours=17, minutes=59)
    again = fetch(feed)
    assert (again.content, again["ETag"]) == (first.content, first["ETag"])
    clock.at += timedelta(days=1)
    other = fetch(feed)
    assert other["ETag"] != first["ETag"]
    known = {str(one["uid"]): str(one["summary"]) for one in icalendar.Calendar.from_ical(first.content).events}
    later = {str(one["uid"]): str(one["summary"]) for one in icalendar.Calendar.from_ical(other.content).events}
    shared = known.keys() & later.keys()
    assert len(shared) >= len(known) - 2 and all(known[uid] == later[uid] for uid in shared)


def test_names_of_entries_outlive_everything(quay: Caller) -> None:
    """What was once told to calendar programs, they keep: a change here gives people everything twice."""
    (found,) = events(NO_SKY)
    digest = models.Event.objects.get(stream="venue/quay", version=1).digest
    assert found["uid"] == str(uuid5(UUID(hex=digest[:32]), "opening/first-night"))


def test_what_is_known_is_not_sent_again(quay: Caller) -> None:
    """RFC 9110 sections 8.8.3 and 13.1.2."""
    first = fetch()
    assert re.fullmatch('"[0-9a-f]{64}"', first["ETag"])  # a strong one
    assert first["Content-Type"] == "text/calendar; charset=utf-8"  # RFC 5545 section 8.1
    assert first["Cache-Control"] == "public, no-cache"
    assert first["Content-Disposition"] == 'inline; filename="quay.ics"'
    assert not first.has_header("Last-Modified")
    known = Caller().get(FEED, HTTP_IF_NONE_MATCH=first["ETag"])
    assert (known.status_code, known.content, known["ETag"]) == (304, b"", first["ETag"])
    assert fetch(HTTP_IF_NONE_MATCH='"another"').content == first.content


def test_an_opening_that_moves_is_known_again(quay: Caller, clock: HeldClock) -> None:
    """Section 3.8.7.4: SEQUENCE goes up by what changes when it is; section 3.8.7.3: LAST-MODIFIED says when."""
    tag, (before,) = fetch(NO_SKY)["ETag"], events(NO_SKY)
    moved = OpeningFixed(venue="quay", name="First night", anchor={}, opens_at=datetime(2026, 4, 2, 20, tzinfo=UTC))
    append([Append("opening/first-night", 1, [moved])], by(at=clock.at + timedelta(hours=2)))
    (after,) = events(NO_SKY)
    assert fetch(NO_SKY)["ETag"] != tag
    assert after["uid"] == before["uid"]
    assert after["dtstart"].dt == datetime(2026, 4, 2, 20, tzinfo=UTC)
    assert (before["sequence"], after["sequence"]) == (0, 1)
    assert after["last-modified"].dt == before["last-modified"].dt + timedelta(hours=2)


def test_other_hours_are_another_calendar(quay: Caller) -> None:
    tags = [fetch()["ETag"]]
    for spans in ([], [{"opens": "10:00", "closes": "14:00"}]):
        hours = {"week": {"friday": [{"opens": "10:00", "closes": "18:00"}]}}
        quay.put("venues/quay/hours?accept=true", hours | {"dates": [{"date": "2026-04-03", "open": spans}]})
        tags.append(fetch()["ETag"])
    assert len(set(tags)) == 3
    (found,) = events(NO_SKY, "hours")
    assert found["sequence"] == 2


# Asked for wrongly.


def test_what_changes_while_it_is_read_is_in_the_next(quay: Caller, monkeypatch: pytest.MonkeyPatch) -> None:
    def other_hours_meanwhile(venue: str, secret: str) -> bool:
        monkeypatch.setattr(server.api.calendar, "may_read_calendar", may_read_calendar)
        closed = {"week": {"monday": [{"opens": "10:00", "closes": "18:00"}]}, "dates": [{"date": "2026-03-23"}]}
        assert quay.put("venues/quay/hours?accept=true", closed).status_code == 200
        return may_read_calendar(venue, secret)

    monkeypatch.setattr(server.api.calendar, "may_read_calendar", other_hours_meanwhile)
    fetch(NO_SKY)
    assert starts(NO_SKY, "hours") == {"Closed: Quay House": date(2026, 3, 23)}


@pytest.mark.parametrize(
    ("query", "field", "remedy"),
    [
        ("sky=sunrise,moonbeam", "sky", "full-moon"),
        ("sky=sun-rising", "sky", "sunrise"),  # takes an altitude
        ("sky=sunrise,", "sky", "sunrise"),
        ("sky=sunrise,sunrise", "sky", "give it once"),
        ("sky=Sunrise", "sky", "sunrise"),
        (f"sky={','.join(SKY)}", "sky", "at most 2500"),
        ("back=4", "back", "P14D"),
        ("back=P93D", "back", "at most P92D"),
        ("ahead=P367D", "ahead", "at most P366D"),
        ("ahead=-P1D", "ahead", "at most P366D"),
        ("ahead=P1Y", "ahead", "ISO 8601"),
        ("days=3", "days", "sky, back, ahead"),
        ("sky=sunset&sky=sunrise", "sky", "give it once"),
    ],
)
def test_what_cannot_be_asked_for_is_refused_by_name(quay: Caller, query: str, field: str, remedy: str) -> None:
    response = Caller().get(f"{FEED}?{query}")
    assert (response.status_code, response["Content-Type"]) == (422, "application/problem+json")
    assert response.json()["field"] == field
    assert remedy in response.json()["remedy"]


def test_the_console_says_where_it_is_and_how_to_subscribe(quay: Caller) -> None:
    shown = Client().get("/").content.decode()
    assert f'<a href="/api/v1/{FEED}">Calendar feed<span class="unseen"> of Quay House</span></a>' in shown
    assert "copy the link into your calendar program to subscribe" in shown


def test_a_venue_that_does_not_exist(studio: Caller) -> None:
    assert Caller().get("venues/nowhere/calendar.ics").status_code == 404


def test_it_can_only_be_read(quay: Caller) -> None:
    assert Caller().get(FEED).status_code == Caller().other("HEAD", FEED).status_code == 200
    for method in ("POST", "PUT", "DELETE", "PROPFIND"):
        assert quay.other(method, FEED).status_code == 405


def test_the_description_of_the_api_lists_it(db: None) -> None:
    described = json.loads(Caller().get("schema").content)["paths"]["/api/v1/venues/{id}/calendar.ics"]
    assert list(described) == ["get"]
    assert list(described["get"]["responses"]["200"]["content"]) == ["text/calendar"]
    assert described["get"].get("security", [{}]) == [{}]  # without a key
    assert {one["name"] for one in described["get"]["parameters"]} == {"id", "sky", "back", "ahead", "secret"}
