"""The pages of a venue's service windows: which there are, fixing one, and calling one off or one date of it."""

from __future__ import annotations

from datetime import UTC, datetime, timedelta
from typing import Any

import pytest
from django.contrib.auth.models import User
from django.http import HttpResponse
from django.test import Client

from scheduling.log.models import Event, Opening, ServiceWindow
from scheduling.log.remarks import text_of
from server.accounts.people import make_person
from server.accounts.principals import Grant
from tests.server.api.test_service_windows import VISIT
from tests.server.console.test_first_page import page
from tests.server.studio import FAR_VENUE, IN_ORDER, SERVICE_WINDOW, VENUE, Caller, HeldClock, changed

WINDOWS, NEW, OFF = (
    "/venues/quay/service-windows",
    "/venues/quay/service-windows/new",
    "/service-windows/rounds/call-off",
)
WEEKLY: dict[str, Any] = {
    "name": "Night round",
    "id": "night-round",
    "by": "weekly",
    "weekday": "saturday",
    "begins": "22:00",
    "ends": "03:00",
}
BY_CLOCK: dict[str, Any] = {
    "name": "New blade",
    "id": "new-blade",
    "by": "clock",
    "civil": "2026-10-25T01:30",
    "lasts": "45",
}


@pytest.fixture
def quay(studio: Caller) -> Caller:
    """Two venues, and a weekly window at one of them."""
    for venue in (VENUE, FAR_VENUE):
        studio.create("venues", venue)
    studio.create("service-windows", SERVICE_WINDOW)
    return studio


@pytest.fixture
def person(quay: Caller) -> Client:
    client = Client()
    client.force_login(User.objects.create_superuser("keeper"))
    return client


def refused(answer: HttpResponse, field: str) -> str:
    """The page again, with what is wrong beside its field."""
    shown = answer.content.decode()
    assert answer.status_code == 200 and f'id="wrong-{field}"' in shown
    return shown


def test_a_venue_s_windows_need_no_account_to_be_read(quay: Caller) -> None:
    shown = page(WINDOWS)
    assert "Tuesday rounds" in shown
    assert "between 10:00 and 11:30 on Tue 24 Mar 2026" in shown and "in 4 d 4 h" in shown
    assert "It comes every Tuesday from 10:00 to 11:30, until Thu 24 Dec 2026." in shown
    assert "Called off" not in shown
    assert "None is to come." in page("/venues/shed/service-windows")
    assert Client().get("/venues/nowhere/service-windows").status_code == 404
    assert f'href="{WINDOWS}"' in page("/")


def test_the_next_window_stands_on_the_console_and_on_the_day_s_sheet(quay: Caller, clock: HeldClock) -> None:
    said = "Next service window: Tuesday rounds, between 10:00 and 11:30 on Tue 24 Mar 2026."
    assert page("/").count(said) == 1 and said in page("/venues/quay/today")
    assert "service window:" not in page("/venues/shed/today")
    clock.at = datetime(2026, 3, 24, 10, tzinfo=UTC)
    said = "Service window now: Tuesday rounds, until 11:30 on Tue 24 Mar 2026."
    assert page("/").count(said) == 1 and said in page("/venues/quay/today")
    quay.post("service-windows/rounds/call-off", {})
    assert "rvice window now" not in page("/") and "rvice window now" not in page("/venues/quay/today")


def test_the_soonest_is_first_and_what_is_over_or_called_off_is_last(quay: Caller, clock: HeldClock) -> None:
    tomorrow = {"civil": "2026-03-21T09:00", "zone": "Europe/Lisbon"}
    for id, anchor in (("visit", tomorrow), ("gone", tomorrow | {"civil": "2026-03-19T09:00"})):
        once = {"kind": "once", "anchor": anchor, "minutes": 45}
        quay.create("service-windows", VISIT | {"id": id, "venue": "quay", "name": id.title(), "comes": once})
    quay.create("service-windows", SERVICE_WINDOW | {"id": "old", "name": "Old rounds"})
    quay.post("service-windows/old/call-off", {"reason": "nobody is here"})
    shown = page(WINDOWS)
    places = [shown.index(f">{one}<") for one in ("Visit", "Tuesday rounds")]
    places += [shown.index("Not to come soon"), shown.index("Gone: once, 2026-03-19 09:00"), shown.index("Old rounds")]
    assert places == sorted(places)
    assert "called off on Fri 20 Mar 2026</li>" in shown and "nobody is here" not in shown, "not for the street"
    make_person("robin", "lanterns over the weir", Grant("reader"))
    robin = Client()
    assert robin.login(username="robin", password="lanterns over the weir")
    assert "called off on Fri 20 Mar 2026: nobody is here" in robin.get(WINDOWS).content.decode()
    assert 'href="/service-windows/old/call-off"' not in shown
    clock.at = datetime(2026, 3, 21, 9, 10, tzinfo=UTC)
    assert 'between 09:00 and 09:45 on Sat 21 Mar 2026 <span class="quiet">now</span>' in page(WINDOWS)


def test_what_is_to_be_changed_in_a_window_stands_with_it(studio: Caller) -> None:
    """A roll of 0.3 m ends in the night of Sunday 22 March; the last window before is on Saturday."""
    for resource, body in IN_ORDER:
        studio.create(resource, changed(body, "profile.media.roll_m", 0.3) if resource == "profiles" else body)
    weekly = {"kind": "weekly", "weekday": "saturday", "begins": "10:00", "ends": "11:30"}
    studio.create("service-windows", SERVICE_WINDOW | {"comes": weekly})
    studio.create("service-windows", SERVICE_WINDOW | {"id": "other", "name": "Other"})
    assert page(WINDOWS).count("To be changed in it, as it is counted now: the roll of Wren 1.") == 1


def test_seeing_when_it_comes_writes_nothing(person: Client) -> None:
    """The clocks of Lisbon go forward on 29 March 2026 at 1:00: a night of four hours by the Sun, and five by name."""
    events = Event.objects.count()
    shown = person.post(NEW, WEEKLY).content.decode()
    assert "It comes every Saturday from 22:00 to 03:00 the next day" in shown
    assert shown.count(" UTC</span>") == 5
    assert "between 22:00 on Sat 28 Mar 2026 and 03:00 on Sun 29 Mar 2026, between which the clocks change" in shown
    assert "between 22:00 on Sat 28 Mar 2026 and 02:00 on Sun 29 Mar 2026 UTC" in shown
    assert "between 21:00 on Sat 4 Apr 2026 and 02:00 on Sun 5 Apr 2026 UTC" in shown
    assert "Fix this window" in shown and 'value="22:00"' in shown
    assert Event.objects.count() == events


def test_fixing_a_weekly_one_writes_it_under_the_person(person: Client) -> None:
    answer = person.post(NEW, WEEKLY | {"last_date": "2026-12-24", "fix": "yes"})
    assert (answer.status_code, answer["Location"]) == (302, WINDOWS)
    window = ServiceWindow.objects.get(id="night-round")
    comes = {
        "kind": "weekly",
        "weekday": "saturday",
        "begins": "22:00",
        "ends": "03:00",
        "first_date": None,
        "last_date": "2026-12-24",
    }
    assert (window.venue_id, window.name, window.comes, window.begins_at) == ("quay", "Night round", comes, None)
    event = Event.objects.get(stream="service/night-round")
    assert event.actor == f"user:{User.objects.get().pk}" and event.request == answer["X-Request-Id"]
    assert "Night round is fixed." in page(WINDOWS, person)


def test_by_the_sky(person: Client) -> None:
    sky = {"by": "sky", "event": "sunset", "date": "2026-06-21", "minutes": "40", "side": "before"}
    shown = person.post(NEW, BY_CLOCK | sky).content.decode().replace("\u00a0", " ")
    # The Sun sets at 21:05 summer time at Lisbon on the longest day, as almanacs say to the minute; from memory.
    assert "It comes once, 40 min before sunset, for 45 min" in shown
    assert "between 20:25 and 21:10 on Sun 21 Jun 2026" in shown
    person.post(NEW, BY_CLOCK | sky | {"fix": "yes"})
    anchor = {"event": "sunset", "date": "2026-06-21", "offset": "-PT40M"}
    assert ServiceWindow.objects.get(id="new-blade").comes == {"kind": "once", "anchor": anchor, "minutes": 45}


def test_a_time_that_comes_twice_is_refused_with_both(person: Client) -> None:
    shown = refused(person.post(NEW, BY_CLOCK | {"fix": "yes"}), "civil")
    assert "The earlier: 2026-10-25 01:30 WEST (+0100)" in shown
    assert "The later: 2026-10-25 01:30 WET (+0000)" in shown
    assert "Fix this window" not in shown and 'value="45"' in shown
    assert not ServiceWindow.objects.filter(id="new-blade").exists()
    shown = person.post(NEW, BY_CLOCK | {"which": "later"}).content.decode()
    assert "between 01:30 and 02:15 on Sun 25 Oct 2026 UTC" in shown
    person.post(NEW, BY_CLOCK | {"which": "later", "fix": "yes"})
    assert ServiceWindow.objects.get(id="new-blade").begins_at == datetime(2026, 10, 25, 1, 30, tzinfo=UTC)


def test_an_event_that_comes_twice_on_a_date_is_refused_with_both(person: Client, quay: Caller) -> None:
    """Near the polar circle, where nights return in July, the Sun sets just after one midnight and just before the
    next: twice on one local date."""
    quay.create("venues", VENUE | {"id": "ridge", "latitude_degrees": 67.0, "longitude_degrees": -9.14})
    path = "/venues/ridge/service-windows/new"
    sky = BY_CLOCK | {"by": "sky", "event": "sunset"}
    found = [
        shown
        for day in range(1, 32)
        if "Which is meant?" in (shown := person.post(path, sky | {"date": f"2026-07-{day:02}"}).content.decode())
    ]
    assert found and 'id="wrong-which"' in found[0] and "The later: 2026-07-" in found[0]


def test_one_that_is_over_is_said_to_be(person: Client) -> None:
    for said in (WEEKLY | {"last_date": "2026-03-14"}, BY_CLOCK | {"civil": "2026-03-19T10:00"}):
        assert "It is over already: nobody comes in it." in person.post(NEW, said).content.decode()


@pytest.mark.parametrize(
    ("said", "changes", "field"),
    [
        (WEEKLY, {"name": ""}, "name"),
        (WEEKLY, {"name": "x" * 121}, "name"),
        (WEEKLY, {"id": "Night Round"}, "id"),
        (WEEKLY, {"id": "rounds"}, "id"),
        (WEEKLY, {"by": "yearly"}, "by"),
        (WEEKLY, {"weekday": "caturday"}, "weekday"),
        (WEEKLY, {"weekday": ""}, "weekday"),
        (WEEKLY, {"begins": ""}, "begins"),
        (WEEKLY, {"begins": "10 o'clock"}, "begins"),
        (WEEKLY, {"ends": "22:00"}, "ends"),
        (WEEKLY, {"ends": "25:00"}, "ends"),
        (WEEKLY, {"last_date": "Christmas"}, "last_date"),
        (BY_CLOCK, {"civil": ""}, "civil"),
        (BY_CLOCK, {"civil": "soon"}, "civil"),
        (BY_CLOCK, {"zone": "Lisbon"}, "zone"),
        (BY_CLOCK, {"civil": "2026-06-21T10:00", "lasts": ""}, "lasts"),
        (BY_CLOCK, {"civil": "2026-06-21T10:00", "lasts": "0"}, "lasts"),
        (BY_CLOCK, {"civil": "2026-06-21T10:00", "lasts": "10081"}, "lasts"),
        (BY_CLOCK, {"by": "sky", "date": ""}, "date"),
        (BY_CLOCK, {"by": "sky", "date": "2026-02-30"}, "date"),
        (BY_CLOCK, {"by": "sky", "date": "2026-06-21", "event": "tea"}, "event"),
        (BY_CLOCK, {"by": "sky", "date": "2026-06-21", "minutes": "-1"}, "minutes"),
    ],
)
def test_what_is_wrong_stands_beside_its_field_and_nothing_is_lost(
    person: Client, said: dict[str, Any], changes: dict[str, Any], field: str
) -> None:
    events, sent = Event.objects.count(), said | changes
    shown = refused(person.post(NEW, sent | {"fix": "yes"}), field)
    assert 'role="alert"' in shown
    kept = {name: value for name, value in sent.items() if value and name not in ("by", "weekday", "event", "side")}
    for name, value in kept.items():
        assert f'name="{name}"' in shown and f'value="{value}"'.replace("'", "&#x27;") in shown
    assert Event.objects.count() == events


def test_calling_off_is_seen_before_it_is_done(person: Client) -> None:
    events = Event.objects.count()
    asked = person.get(OFF).content.decode()
    assert "Call off Tuesday rounds" in asked and asked.count(" UTC</span>") == 5 and "Call it off" not in asked
    shown = person.post(OFF, {"what": "date", "date": "2026-03-31", "reason": "a holiday"}).content.decode()
    assert "It does not come on Tue 31 Mar 2026." in shown
    lost, left = shown.split("It still comes")
    assert "on Tue 31 Mar 2026" in lost and "on Tue 31 Mar 2026" not in left and "on Tue 7 Apr 2026" in left
    assert 'value="a holiday"' in shown and "Call it off" in shown
    assert "It comes no more, from now on and for good." in person.post(OFF, {"what": "all"}).content.decode()
    assert Event.objects.count() == events


def test_who_will_read_a_reason_stands_beside_it(person: Client) -> None:
    shown = page(OFF, person)
    assert 'aria-describedby="hint-reason' in shown
    assert "can read it; only who keeps the server can blot it out. No names, no illness" in shown


def test_one_date_is_called_off(person: Client) -> None:
    sent = {"what": "date", "date": "2026-03-24", "reason": "a holiday", "off": "yes"}
    answer = person.post(OFF, sent)
    assert (answer.status_code, answer["Location"]) == (302, WINDOWS)
    assert ServiceWindow.objects.get().dates_off == ["2026-03-24"]
    event = Event.objects.get(kind="service-window-called-off")
    assert (event.data["date"], text_of(event.data["remark"])) == ("2026-03-24", "a holiday")
    assert "a holiday" not in str(event.data)
    assert event.actor == f"user:{User.objects.get().pk}"
    shown = page(WINDOWS, person)
    assert "Tuesday rounds is called off on Tue 24 Mar 2026." in shown
    assert "between 10:00 and 11:30 on Tue 31 Mar 2026" in shown
    assert "Called off on Tue 24 Mar 2026." in shown
    for confirmed in ({}, {"off": "yes"}):
        again = person.post(OFF, {"what": "date", "date": "2026-03-24"} | confirmed)
        assert "called off already" in refused(again, "date")


def test_a_date_that_was_called_off_is_not_spoken_of_once_it_is_over(person: Client, clock: HeldClock) -> None:
    person.post(OFF, {"what": "date", "date": "2026-03-24", "off": "yes"})
    page(WINDOWS, person)
    clock.at += timedelta(days=5)
    assert "24 Mar" not in page(WINDOWS)


def test_all_of_a_window_is_called_off_and_stays_so(person: Client) -> None:
    person.post(OFF, {"what": "all", "reason": "", "off": "yes"})
    assert ServiceWindow.objects.get().called_off_remark is None
    shown = page(WINDOWS, person)
    assert "Tuesday rounds is called off." in shown and "None is to come." in shown
    assert "called off on Fri 20 Mar 2026" in shown
    assert "It is called off already." in page(OFF, person)
    assert "It is called off already." in person.post(OFF, {"what": "all", "off": "yes"}).content.decode()
    assert Event.objects.filter(kind="service-window-called-off").count() == 1


def test_one_that_comes_once_is_called_off_whole(person: Client, quay: Caller) -> None:
    quay.create("service-windows", VISIT)
    path = "/service-windows/visit/call-off"
    assert "One date only" not in page(path, person)
    shown = refused(person.post(path, {"what": "date", "date": "2026-03-21", "off": "yes"}), "date")
    assert "leave it out" in shown
    assert person.post(path, {"what": "all", "off": "yes"})["Location"] == "/venues/shed/service-windows"
    assert ServiceWindow.objects.get(id="visit").called_off_at is not None


@pytest.mark.parametrize(
    ("sent", "field"),
    [
        ({}, "what"),
        ({"what": "some"}, "what"),
        ({"what": "date"}, "date"),
        ({"what": "date", "date": "2026-03-30"}, "date"),
        ({"what": "date", "date": "2026-12-29"}, "date"),
        ({"what": "date", "date": "Tuesday"}, "date"),
        ({"what": "date", "date": "0001-01-02"}, "date"),
        ({"what": "all", "reason": "x" * 501}, "reason"),
    ],
)
def test_what_cannot_be_called_off_is_said_beside_its_field(person: Client, sent: dict[str, Any], field: str) -> None:
    for confirmed in ({}, {"off": "yes"}):
        refused(person.post(OFF, {"reason": "why"} | sent | confirmed), field)
    assert not Event.objects.filter(kind="service-window-called-off").exists()


def test_forms_from_elsewhere_are_refused(quay: Caller) -> None:
    client = Client(enforce_csrf_checks=True)
    client.force_login(User.objects.create_superuser("keeper"))
    for path in (NEW, OFF):
        assert client.post(path, WEEKLY).status_code == 403
    assert Client().post(WINDOWS).status_code in (403, 405)


def test_windows_and_venues_that_do_not_exist(person: Client) -> None:
    for path in ("/venues/nowhere/service-windows/new", "/service-windows/nothing/call-off"):
        assert person.get(path).status_code == 404


def test_an_id_is_made_of_the_name_where_nobody_gave_one(person: Client) -> None:
    for expected in ("night-round", "night-round-2"):
        person.post(NEW, WEEKLY | {"id": "", "fix": "yes"})
        assert ServiceWindow.objects.filter(id=expected).exists()
    opening = {"name": "First night", "id": "", "venue": "quay", "by": "clock", "civil": "2026-10-24T18:00", "zone": ""}
    assert person.post("/openings/new", opening | {"fix": "yes"}).status_code == 302
    assert Opening.objects.get().id == "first-night"
