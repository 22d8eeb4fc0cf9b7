"""The studio's calendar and each person's: what stands in them, under which names, when they remind, at which secret
address; read by two libraries that did not write them. Sections in the names of checks are of RFC 5545."""

from __future__ import annotations

import logging
import re
from collections.abc import Iterator
from datetime import UTC, date, datetime, timedelta
from typing import Any

import icalendar
import pytest
import vobject
from django.contrib.auth.models import User
from django.http import HttpResponse
from django.test import Client
from ical.calendar_stream import IcsCalendarStream

from scheduling.log.models import Event, Remark
from server.accounts import access
from server.accounts.at_terminal import at_the_terminal
from server.accounts.models import CalendarAddress, PersonCalendar
from server.accounts.people import make_person
from server.accounts.principals import Grant, KeyHolder
from server.api.in_process import Caller as Inside
from server.api.in_process import ask
from tests.server.api.test_bad_input import problem
from tests.server.keys import new_key
from tests.server.studio import FAR_VENUE, OPENING, SERVICE_WINDOW, VENUE, Caller, HeldClock

PASSWORD = "lanterns over the weir"
STUDIO_ADDRESS = "studio/calendar/address"
FAR_OPENING = OPENING | {
    "id": "far-night",
    "name": "Far night",
    "venue": "shed",
    "anchor": {"civil": "2026-04-05T02:45", "zone": "Pacific/Chatham", "which": "earlier"},
}


@pytest.fixture
def two(studio: Caller) -> Caller:
    """Two venues with an opening each, and one of them with a weekly service window."""
    for resource, body in (
        ("venues", VENUE),
        ("venues", FAR_VENUE),
        ("openings", OPENING),
        ("openings", FAR_OPENING),
        ("service-windows", SERVICE_WINDOW),
    ):
        studio.create(resource, body)
    return studio


def make(name: str, standing: Grant) -> int:
    make_person(name, PASSWORD, standing)
    return int(User.objects.get(username=name).pk)


def new_address(caller: Caller, address: str) -> str:
    """Below `/api/v1/`."""
    answer = caller.post(f"{address}?accept=true", {})
    assert answer.status_code == 200, answer.content
    found: str = answer.json()["address"]
    return found.removeprefix("/api/v1/")


def of_person(caller: Caller, number: int) -> str:
    return new_address(caller, f"people/{number}/calendar/address")


def fetch(feed: str, **headers: str) -> HttpResponse:
    """Without any key, as calendar programs ask."""
    answer = Caller().get(feed, **headers)
    assert answer.status_code == 200, answer.content
    return answer


def events(feed: str) -> list[Any]:
    found = icalendar.Calendar.from_ical(fetch(feed).content).walk("VEVENT")
    assert not any(one.errors for one in found)
    return found


def by_name(feed: str, category: str = "") -> dict[str, Any]:
    return {str(one["uid"]): one for one in events(feed) if category in ("", *one.categories)}


def titles(feed: str) -> set[str]:
    return {str(one["summary"]) for one in events(feed) if "sky" not in one.categories}


# What is in the studio's.


def test_it_holds_what_every_venues_calendar_holds_under_the_same_names(furnished: Caller) -> None:
    """Section 3.8.4.7: a UID is one thing's everywhere; whoever subscribes to both gets nothing twice."""
    furnished.create("venues", FAR_VENUE)
    furnished.create("openings", FAR_OPENING)
    furnished.create("service-windows", SERVICE_WINDOW)
    joint = by_name(new_address(furnished, STUDIO_ADDRESS) + "&sky=sunrise,full-moon&ahead=P60D")
    shed, quay = (by_name(f"venues/{one}/calendar.ics?sky=sunrise,full-moon&ahead=P60D") for one in ("shed", "quay"))
    apart = shed | quay  # by the clock of the venue that was added first, where something is the same at both
    assert joint.keys() == apart.keys()
    both = {uid for uid, one in apart.items() if one["summary"] == "Full moon"}
    assert len(both) == 3 and both == shed.keys() & quay.keys(), "the same all over the world, so once"
    assert {one for uid in joint for one in joint[uid].categories} == {"opening", "service", "run", "sky"}
    for uid, one in joint.items():
        for name in ("dtstart", "dtend", "dtstamp", "sequence", "location", "description"):
            assert one.get(name) == apart[uid].get(name), name


def test_each_title_names_its_venue_once(two: Caller) -> None:
    hours = {"week": {"tuesday": [{"opens": "10:00", "closes": "18:00"}]}, "dates": [{"date": "2026-03-31"}]}
    assert two.put("venues/quay/hours?accept=true", hours).status_code == 200
    found = titles(new_address(two, STUDIO_ADDRESS))
    assert {"Doors open: First night, Quay House", "Closed: Quay House"} <= found
    assert {one for one in found if "Far night" in one} == {"Doors open: Far night, The Boat Shed"}


def test_an_opening_that_ends_as_its_venue_is_called_names_that_all_the_same(studio: Caller) -> None:
    studio.create("venues", VENUE | {"name": "Hall"})
    studio.create("openings", OPENING | {"name": "Great Hall"})
    assert titles(new_address(studio, STUDIO_ADDRESS)) == {"Doors open: Great Hall, Hall"}


def test_a_venue_that_is_not_in_use_any_more_is_gone_from_it(studio: Caller) -> None:
    studio.create("venues", VENUE)
    studio.create("openings", OPENING)
    feed = new_address(studio, STUDIO_ADDRESS) + "&sky="
    assert titles(feed) == {"Doors open: First night, Quay House"}
    tag = {"HTTP_IF_MATCH": "*"}
    assert studio.post("openings/first-night/call-off", {}, **tag).status_code == 200
    assert titles(feed) == {"Called off: First night, Quay House"}
    assert studio.post("venues/quay/retire?accept=true", {}, **tag).status_code == 200
    (component,) = icalendar.Calendar.from_ical(fetch(feed).content).subcomponents
    assert component.name == "VTIMEZONE"  # section 3.6: at least one component


@pytest.mark.parametrize("is_studios_first", [True, False])
def test_a_venue_that_is_called_as_the_studio_has_a_calendar_of_its_own(two: Caller, is_studios_first: bool) -> None:
    """A venue's is open to read, and what was made for one must not be told to whoever asks for the other."""
    two.create("venues", VENUE | {"id": "studio", "name": "The Works"})
    feeds = {"studio": new_address(two, STUDIO_ADDRESS) + "&sky=", "venue": "venues/studio/calendar.ics?sky="}
    order = ["studio", "venue"] if is_studios_first else ["venue", "studio"]
    found = {one: icalendar.Calendar.from_ical(fetch(feeds[one]).content) for one in order}
    assert (found["studio"]["name"], found["venue"]["name"]) == ("All venues", "The Works")
    assert len(titles(feeds["studio"])) > 2 and not titles(feeds["venue"])


def test_two_libraries_read_both_sides_of_a_clock_change(two: Caller) -> None:
    """Chatham, rule of the zone database: on 2026-04-05 clocks go back at 03:45 from +13:45 to +12:45, so that 02:45
    comes twice: first at 13:00 UTC of the day before. Lisbon goes forward on 2026-03-29 at 01:00 UTC."""
    text = fetch(new_address(two, STUDIO_ADDRESS) + "&sky=&ahead=P60D").content.decode()
    (reader,) = vobject.readComponents(text)
    others = {one.uid: one for one in IcsCalendarStream.calendar_from_ics(text).events}
    read = {one.uid.value: one for one in reader.vevent_list}
    assert read.keys() == others.keys()
    for uid, one in read.items():
        assert one.dtstart.value == others[uid].dtstart
        assert one.summary.value == others[uid].summary
    far = next(one for one in others.values() if one.summary and "Far night" in one.summary)
    assert far.dtstart == datetime(2026, 4, 4, 13, tzinfo=UTC)
    assert far.description == "2026-04-05 02:45 by the clock of Pacific/Chatham"
    visits = sorted((one for one in others.values() if one.categories == ["service"]), key=lambda one: one.dtstart)
    hours = {one.dtstart.astimezone(UTC).hour - (1 if one.dtstart.date() < date(2026, 3, 29) else 0) for one in visits}
    assert len(visits) > 8 and len(hours) == 1, "an hour earlier by UTC once Lisbon is an hour ahead"


# IANA time zone database: rules EU, US, LH and Chile.
CHANGES = {
    ("Europe/Berlin", "2026-10-25T02:30", "later"): (2026, 10, 25, 1, 30),
    ("America/New_York", "2026-11-01T01:30", "earlier"): (2026, 11, 1, 5, 30),
    ("Australia/Lord_Howe", "2026-04-05T01:45", "earlier"): (2026, 4, 4, 14, 45),
    ("Australia/Lord_Howe", "2026-04-05T01:45", "later"): (2026, 4, 4, 15, 15),
    ("Australia/Lord_Howe", "2026-10-04T02:30", None): (2026, 10, 3, 15, 30),
    ("America/Santiago", "2026-09-05T23:59", None): (2026, 9, 6, 3, 59),
    ("America/Santiago", "2026-09-06T01:00", None): (2026, 9, 6, 4, 0),
}


def test_every_venue_keeps_its_own_clock_in_it(studio: Caller) -> None:
    for zone in dict.fromkeys(zone for zone, _, _ in CHANGES):
        studio.create("venues", VENUE | {"id": zone.rpartition("/")[2].lower().replace("_", "-"), "zone": zone})
    for number, (zone, civil, which) in enumerate(CHANGES):
        anchor = {"civil": civil, "zone": zone} | ({} if which is None else {"which": which})
        venue = zone.rpartition("/")[2].lower().replace("_", "-")
        studio.create("openings", {"id": f"o{number}", "name": f"Night {number}", "venue": venue, "anchor": anchor})
    text = fetch(new_address(studio, STUDIO_ADDRESS) + "&sky=").content.decode()
    (reader,) = vobject.readComponents(text)
    read = {one.summary.value.split(",")[0]: one for one in reader.vevent_list}
    others = {str(one.summary).split(",")[0]: one for one in IcsCalendarStream.calendar_from_ics(text).events}
    for number, ((zone, civil, _), at) in enumerate(CHANGES.items()):
        for found in (read[f"Doors open: Night {number}"].dtstart.value, others[f"Doors open: Night {number}"].dtstart):
            assert found == datetime(*at, tzinfo=UTC), (zone, civil)  # type: ignore[arg-type, misc]
        said = read[f"Doors open: Night {number}"].description.value
        assert said == f"{civil.replace('T', ' ')} by the clock of {zone}"


def test_the_head_of_it(two: Caller) -> None:
    calendar = icalendar.Calendar.from_ical(fetch(new_address(two, STUDIO_ADDRESS)).content)
    assert calendar["prodid"] == "-//Dayroll//Calendar of several venues//EN"
    assert (calendar["version"], calendar["name"]) == ("2.0", "All venues")
    assert re.fullmatch("[0-9a-f]{8}(-[0-9a-f]{4}){3}-[0-9a-f]{12}", calendar["uid"])
    again = icalendar.Calendar.from_ical(fetch(new_address(two, STUDIO_ADDRESS)).content)
    assert again["uid"] == calendar["uid"], "another address is no other calendar"


def test_what_is_known_is_not_sent_again(two: Caller) -> None:
    """RFC 9110 section 13.1.2; what was kept may be shown only after asking (RFC 9111 section 5.2.2.4), and by no
    cache that others share (section 5.2.2.7)."""
    feed = new_address(two, STUDIO_ADDRESS)
    first = fetch(feed)
    assert first["Cache-Control"] == "private, no-cache"
    assert first["Content-Disposition"] == 'inline; filename="all-venues.ics"'
    known = Caller().get(feed, HTTP_IF_NONE_MATCH=first["ETag"])
    assert (known.status_code, known.content, known["Cache-Control"]) == (304, b"", "private, no-cache")


def test_too_much_of_the_sky_of_all_venues_is_refused(two: Caller) -> None:
    feed = new_address(two, STUDIO_ADDRESS)
    daily = "&sky=sunrise,sunset,solar-noon,civil-dawn&back=P0D&ahead=P366D"
    assert Caller().get(f"venues/quay/calendar.ics?{daily[1:]}").status_code == 200
    assert problem(Caller().get(feed + daily), 422)["field"] == "sky"


# Addresses.


def test_without_its_secret_nothing_is_there(two: Caller) -> None:
    number = make("robin", Grant("reader"))
    for feed in (
        "studio/calendar.ics",
        f"people/{number}/calendar.ics",
        "people/99/calendar.ics",
        f"people/{9 * 10**40}/calendar.ics",
    ):
        for guess in ("", "?secret=", "?secret=x", "?secret=ü", f"?secret={'0' * 32}"):
            assert Caller().get(feed + guess).status_code == 404, "none was made yet"
    good = [new_address(two, STUDIO_ADDRESS), of_person(two, number)]
    for feed in good:
        assert fetch(feed).status_code == 200
        assert Caller().get(feed[:-1] + ("0" if feed[-1] != "0" else "1")).status_code == 404
    (bare, secret), (of_robin, theirs) = (feed.split("?secret=") for feed in good)
    assert Caller().get(f"{bare}?secret={theirs}").status_code == 404
    assert Caller().get(f"{of_robin}?secret={secret}").status_code == 404
    assert len(secret) == len(theirs) == 32


def test_where_pages_are_closed_nobody_learns_which_venues_there_are(two: Caller, settings: Any) -> None:
    settings.OPEN_PAGES = False
    number = make("robin", Grant("reader"))
    there = ("venues/quay/calendar.ics", f"people/{number}/calendar.ics", "studio/calendar.ics")
    answers = [Caller().get(feed) for feed in (*there, "venues/nowhere/calendar.ics", "people/99/calendar.ics")]
    assert {one.status_code for one in answers} == {404}
    (told,) = {(one.json()["type"], one.json()["title"], one.json()["detail"]) for one in answers}
    assert told[2] == "Nothing is here."


def test_at_an_address_that_was_given_up_nothing_is_any_more(two: Caller) -> None:
    """Not even for whoever kept what was there and asks whether it is the same."""
    number = make("robin", Grant("reader"))
    for address in (STUDIO_ADDRESS, f"people/{number}/calendar/address"):
        before = new_address(two, address)
        tag = fetch(before)["ETag"]
        assert two.get(address).json()["address"].endswith(before)
        after = new_address(two, address)
        assert after != before
        gone = Caller().get(before, HTTP_IF_NONE_MATCH=tag)
        assert (gone.status_code, gone["Cache-Control"]) == (404, "no-store")
        assert "secret" not in gone.content.decode()
        assert fetch(after)["ETag"] == tag, "it is the same calendar"
        assert two.get(address).json()["number"] == 2


def test_another_address_is_looked_at_first_and_needs_a_yes(two: Caller) -> None:
    assert two.get(STUDIO_ADDRESS).json() == {"address": None, "number": 0, "since": None}
    first = two.post(f"{STUDIO_ADDRESS}?preview=true", {}).json()
    assert (first["fields"], first["warnings"]) == ([{"field": "number", "before": 0, "after": 1}], [])
    assert two.get(STUDIO_ADDRESS).json()["address"] is None, "it was only looked at"
    assert two.post(STUDIO_ADDRESS, {}).status_code == 200, "of a first nobody is shut out"
    stands = two.get(STUDIO_ADDRESS)
    assert stands["Cache-Control"] == "no-store"
    looked = two.post(f"{STUDIO_ADDRESS}?preview=true", {}).json()
    assert [one["kind"] for one in looked["warnings"]] == ["address-given-up"]
    assert two.post(STUDIO_ADDRESS, {}).status_code == 409
    assert two.get(STUDIO_ADDRESS).json() == stands.json()
    assert two.post(f"{STUDIO_ADDRESS}?accept=address-given-up", {}).json()["number"] == 2


def test_the_log_tells_who_and_why_and_no_secret(two: Caller, caplog: pytest.LogCaptureFixture) -> None:
    number = make("robin", Grant("reader"))
    with caplog.at_level(logging.DEBUG):
        secrets = [new_address(two, STUDIO_ADDRESS), of_person(two, number)]
        body = {"reason": "a telephone was lost"}
        secrets += [two.post(f"{STUDIO_ADDRESS}?accept=true", body).json()["address"]]
        for feed in secrets:
            Caller().get(feed.removeprefix("/api/v1/"))
    secrets = [feed.split("secret=")[1] for feed in secrets]
    said = Event.objects.filter(kind="calendar-address-changed").order_by("position")
    assert [one.stream for one in said] == ["calendar/studio", f"calendar/user-{number}", "calendar/studio"]
    assert all(one.actor.startswith("studio_") and one.data.keys() == {"remark"} for one in said)
    assert Remark.objects.get(digest=said[2].data["remark"]).text == "a telephone was lost"
    told = two.get("events?limit=1000").content.decode() + str(list(Event.objects.values())) + caplog.text
    drawn = [one.drawn for one in CalendarAddress.objects.all()]
    assert len(drawn) == 2 and not any(one in told for one in [*secrets, *drawn])


def test_what_lies_in_the_database_opens_nothing_without_the_servers_key(two: Caller, settings: Any) -> None:
    feed = new_address(two, STUDIO_ADDRESS)
    settings.SECRET_KEY = "another" * 8
    assert Caller().get(feed).status_code == 404
    assert Caller().get(f"studio/calendar.ics?secret={CalendarAddress.objects.get().drawn}").status_code == 404


def test_a_number_that_comes_again_brings_no_address_back(two: Caller) -> None:
    """As after a backup was put back: the row is as it was before an address was given up."""
    new_address(two, STUDIO_ADDRESS)
    row = CalendarAddress.objects.get()
    given_up = new_address(two, STUDIO_ADDRESS)
    row.save()
    assert new_address(two, STUDIO_ADDRESS) != given_up
    assert Caller().get(given_up).status_code == 404


def test_a_venues_address_that_was_given_up_opens_nothing_where_the_log_alone_is_left(
    two: Caller, settings: Any
) -> None:
    """The first was reckoned from the venue alone. The log says that it was given up; the rows beside it are gone."""
    settings.OPEN_PAGES = False
    path = "venues/quay/calendar/address"
    first = two.get(path).json()["address"].removeprefix("/api/v1/")
    second = new_address(two, path)
    CalendarAddress.objects.all().delete()
    assert [Caller().get(feed).status_code for feed in (first, second)] == [404, 404]
    assert two.get(path).json() == {"address": None, "number": 0, "since": None}
    make("robin", Grant("reader"))
    robin = Client()
    assert robin.login(username="robin", password=PASSWORD)
    shown = robin.get("/").content.decode()
    assert "/venues/shed/calendar.ics?secret=" in shown and "/venues/quay/calendar.ics" not in shown
    assert "It has no address now." in robin.get("/calendar").content.decode()
    assert two.post(path, {}).status_code == 200, "of a first nobody is shut out"
    third = two.get(path).json()["address"].removeprefix("/api/v1/")
    assert [Caller().get(feed).status_code for feed in (first, second, third)] == [404, 404, 200]


def test_a_venues_address_changes_where_pages_are_closed(two: Caller, settings: Any) -> None:
    """As long as nobody changed it, it is the one of before."""
    looked = two.post("venues/quay/calendar/address?preview=true", {}).json()
    assert [one["kind"] for one in looked["warnings"]] == ["open-pages"]
    settings.OPEN_PAGES = False
    first = two.get("venues/quay/calendar/address").json()
    assert (first["number"], first["since"]) == (0, None)
    before = first["address"].removeprefix("/api/v1/")
    assert fetch(before)["Cache-Control"] == "private, no-cache"
    after = new_address(two, "venues/quay/calendar/address")
    assert Caller().get(before).status_code == 404
    assert fetch(after).status_code == 200
    assert two.get("venues/nowhere/calendar/address").status_code == 404
    make("robin", Grant("reader"))
    robin = Client()
    assert robin.login(username="robin", password=PASSWORD)
    assert f'href="/api/v1/{after}"' in robin.get("/").content.decode()


def test_a_curator_changes_the_address_of_their_venues_alone(two: Caller) -> None:
    curator = Caller(new_key("curator of quay", Grant("curator", ("quay",))))
    assert curator.post("venues/quay/calendar/address?accept=true", {}).status_code == 200
    assert problem(curator.post("venues/shed/calendar/address?accept=true", {}), 403)
    for method in (curator.get, lambda path: curator.post(path, {})):
        assert problem(method(STUDIO_ADDRESS), 403)["needed"] == ["studio"]


# A person's.


def inside(number: int, standing: Grant) -> Inside:
    """Somebody who is signed in, as pages ask for them."""
    return Inside(KeyHolder(key=f"user:{number}", name="robin", standing=standing), "0" * 8)


def test_a_persons_is_theirs_and_the_studios(two: Caller) -> None:
    robin, kim = make("robin", Grant("reader")), make("kim", Grant("curator", ("shed",)))
    mine = inside(kim, Grant("curator", ("shed",)))
    assert ask(mine, "POST", f"people/{kim}/calendar/address", {}).body["number"] == 1
    assert ask(mine, "PUT", f"people/{kim}/calendar", {}, tag="*").body == {"venues": [], "alarms": []}
    for key in (new_key("r", Grant("reader")), new_key("c", Grant("curator"))):
        for path in ("calendar", "calendar/address"):
            assert problem(Caller(key).get(f"people/{kim}/{path}"), 403)["needed"] == ["studio"]
    with pytest.raises(Exception, match="Only the studio"):
        ask(mine, "GET", f"people/{robin}/calendar/address")
    with pytest.raises(Exception, match="Only the studio"):
        ask(mine, "POST", f"people/{robin}/calendar/address", {}, accept="true")
    assert of_person(two, robin)
    for number in (99, 9 * 10**40):
        for path in (f"people/{number}/calendar/address", f"people/{number}/calendar"):
            assert two.get(path).status_code == 404


def test_it_holds_their_venues_by_their_role_at_each_call(two: Caller) -> None:
    number = make("kim", Grant("curator", ("shed",)))
    feed = of_person(two, number) + "&sky="
    first = fetch(feed)
    assert titles(feed) == {"Doors open: Far night, The Boat Shed"}
    access.give_role("kim", Grant("curator", ("quay",)), at_the_terminal())
    assert "Doors open: First night, Quay House" in titles(feed)
    assert not any("Far night" in one for one in titles(feed))
    assert fetch(feed, HTTP_IF_NONE_MATCH=first["ETag"]).status_code == 200
    access.give_role("kim", Grant("curator"), at_the_terminal())
    assert {"Doors open: First night, Quay House", "Doors open: Far night, The Boat Shed"} <= titles(feed)


def test_a_closed_account_reads_nothing_and_reopened_it_reads_again(two: Caller) -> None:
    feed = of_person(two, make("robin", Grant("reader")))
    tag = fetch(feed)["ETag"]
    access.close("robin", at_the_terminal())
    assert Caller().get(feed, HTTP_IF_NONE_MATCH=tag).status_code == 404
    access.reopen("robin", at_the_terminal())
    assert fetch(feed).status_code == 200


def test_a_venue_may_be_chosen_among_theirs(two: Caller) -> None:
    number = make("kim", Grant("curator", ("quay", "shed")))
    feed, wishes = of_person(two, number) + "&sky=", f"people/{number}/calendar"
    assert two.put(wishes, {"venues": ["shed"]}).status_code == 200
    assert titles(feed) == {"Doors open: Far night, The Boat Shed"}
    access.give_role("kim", Grant("curator", ("quay",)), at_the_terminal())
    assert titles(feed) == set(), "what they chose is not theirs any more"
    assert problem(two.put(wishes, {"venues": ["nowhere"]}), 422)["field"] == "venue"
    assert two.put(wishes, {"venues": ["shed", "quay"]}).status_code == 200, "it stood there before"
    assert two.put(wishes, {"venues": []}).status_code == 200
    assert problem(two.put(wishes, {"venues": ["shed"]}), 422)["remedy"] == "give some of: quay"


def alarms_of(feed: str) -> Iterator[tuple[str, Any]]:
    for event in events(feed):
        for alarm in event.walk("VALARM"):
            yield str(event["summary"]), alarm


def test_it_reminds_of_what_was_asked_and_of_nothing_else(two: Caller) -> None:
    """Section 3.6.6: a DISPLAY alarm has ACTION, DESCRIPTION and TRIGGER, each once; section 3.8.6.3: a duration is
    counted from the beginning."""
    number = make("robin", Grant("reader"))
    feed, wishes = of_person(two, number), f"people/{number}/calendar"
    assert list(alarms_of(feed)) == [], "off as it is set up"
    wanted = [{"kind": "opening", "before_min": 60}, {"kind": "opening", "before_min": 1440}]
    said = two.put(wishes, {"alarms": wanted})
    assert said.json() == two.get(wishes).json() == {"venues": [], "alarms": wanted}
    found = list(alarms_of(feed))
    assert {title for title, _ in found} == {
        "Doors open: First night, Quay House",
        "Doors open: Far night, The Boat Shed",
    }
    for title, alarm in found:
        assert {name for name, _ in alarm.property_items() if name not in ("BEGIN", "END")} == {
            "ACTION", "DESCRIPTION", "TRIGGER",
        }  # fmt: skip
        assert (alarm["action"], alarm["description"]) == ("DISPLAY", title)
    before = [alarm["trigger"].dt for title, alarm in found if "Far" in title]
    assert before == [timedelta(days=-1), timedelta(hours=-1)]
    text = fetch(feed).content.decode()
    (reader,) = vobject.readComponents(text)
    read = [one for one in reader.vevent_list if "Far night" in one.summary.value]
    assert [alarm.trigger.value for alarm in read[0].valarm_list] == before
    (other,) = [one for one in IcsCalendarStream.calendar_from_ics(text).events if "Far night" in str(one.summary)]
    assert [(alarm.action, alarm.trigger) for alarm in other.alarm] == [("DISPLAY", one) for one in before]
    assert not any(alarm for _, alarm in alarms_of(new_address(two, STUDIO_ADDRESS)))


def test_of_what_was_called_off_nothing_reminds(two: Caller) -> None:
    number = make("robin", Grant("reader"))
    feed = of_person(two, number)
    two.put(f"people/{number}/calendar", {"alarms": [{"kind": "opening", "before_min": 0}]})
    assert two.post("openings/far-night/call-off", {}, HTTP_IF_MATCH="*").status_code == 200
    assert [title for title, _ in alarms_of(feed)] == ["Doors open: First night, Quay House"]


@pytest.mark.parametrize(
    ("alarms", "field"),
    [
        ([{"kind": "opening", "before_min": -1}], "alarms[0].before_min"),
        ([{"kind": "opening", "before_min": 40_321}], "alarms[0].before_min"),
        ([{"kind": "opening", "before_min": 1.5}], "alarms[0].before_min"),
        ([{"kind": "party", "before_min": 5}], "alarms[0].kind"),
        ([{"kind": "opening"}], "alarms[0].before_min"),
        ([{"kind": "opening", "before_min": 5}] * 2, "alarms"),
        ([{"kind": "sky", "before_min": 5 * many} for many in range(3)], "alarms"),
    ],
)
def test_alarms_that_cannot_be_are_refused_by_name(two: Caller, alarms: Any, field: str) -> None:
    number = make("robin", Grant("reader"))
    assert problem(two.put(f"people/{number}/calendar", {"alarms": alarms}), 422)["field"] == field
    assert not PersonCalendar.objects.exists()


def test_the_bounds_themselves_are_taken(two: Caller) -> None:
    number = make("robin", Grant("reader"))
    feed = of_person(two, number)
    alarms = [{"kind": kind, "before_min": at} for kind in ("opening", "service", "hours") for at in (0, 40_320)]
    assert two.put(f"people/{number}/calendar", {"alarms": alarms}).status_code == 200
    assert {alarm["trigger"].dt for _, alarm in alarms_of(feed)} == {timedelta(0), timedelta(days=-28)}


def test_wishes_are_looked_at_first_and_only_what_stands_is_kept(two: Caller) -> None:
    number = make("robin", Grant("reader"))
    wishes, alarms = f"people/{number}/calendar", [{"kind": "service", "before_min": 30}]
    looked = two.put(f"{wishes}?preview=true", {"alarms": alarms}).json()
    assert [one["field"] for one in looked["fields"]] == ["alarms"] and len(looked["in_words"]) == 2
    assert two.get(wishes).json() == {"venues": [], "alarms": []}
    assert two.put(wishes, {"alarms": alarms, "reason": "I forget"}).status_code == 200
    assert problem(two.other("PUT", wishes, data="{}", content_type="application/json"), 428)
    assert two.put(wishes, {"alarms": alarms}).status_code == 200, "it is so already"
    (told,) = Event.objects.filter(kind="calendar-wishes-set")
    assert told.stream == f"calendar/user-{number}" and told.data.keys() == {"remark"}
    assert two.put(wishes, {}).status_code == 200
    assert PersonCalendar.objects.get().said == {"venues": [], "alarms": []}


def test_it_changes_with_what_moves_and_not_with_time(two: Caller, clock: HeldClock) -> None:
    feed = of_person(two, make("robin", Grant("reader")))
    first = fetch(feed)["ETag"]
    clock.at += timedelta(hours=3)
    assert fetch(feed)["ETag"] == first
    assert two.post("openings/far-night/call-off", {}, HTTP_IF_MATCH="*").status_code == 200
    assert fetch(feed)["ETag"] != first


def test_it_can_only_be_read(two: Caller) -> None:
    feed = of_person(two, make("robin", Grant("reader")))
    assert Caller().other("HEAD", feed).status_code == 200
    for method in ("POST", "PUT", "DELETE"):
        assert two.other(method, feed).status_code == 405
