"""The page of a venue's hours, and what the console says of its doors."""

from __future__ import annotations

from datetime import UTC, datetime

import pytest
from django.contrib.auth.models import User
from django.test import Client

from machines.serialization import structure
from scheduling.log.models import Event, Venue
from scheduling.planning.opening_hours import Hours
from scheduling.venues.hours import venue_hours
from server.console.hours import doors
from tests.server.api.test_hours import HOURS
from tests.server.studio import VENUE, Caller, HeldClock

WEEKDAY = "10:00-13:00, 14:00-18:00"


@pytest.fixture
def quay(studio: Caller) -> Venue:
    studio.create("venues", VENUE)
    return Venue.objects.get(id="quay")


@pytest.fixture
def person(db: None) -> Client:
    client = Client()
    client.force_login(User.objects.create_superuser("keeper"))
    return client


def test_nobody_sets_hours_without_signing_in(quay: Venue) -> None:
    response = Client().get("/venues/quay/hours")
    assert (response.status_code, response["Location"]) == (302, "/sign-in?next=/venues/quay/hours")
    assert Client().post("/venues/quay/hours", {"monday": WEEKDAY}).status_code == 302
    assert not Event.objects.filter(kind="hours-set").exists()


def test_a_form_from_elsewhere_is_refused(quay: Venue) -> None:
    client = Client(enforce_csrf_checks=True)
    client.force_login(User.objects.create_superuser("keeper"))
    assert client.post("/venues/quay/hours", {"monday": WEEKDAY}).status_code == 403


def test_hours_of_a_venue_that_does_not_exist(person: Client) -> None:
    assert person.get("/venues/nowhere/hours").status_code == 404


def test_hours_are_set_and_shown_again(person: Client, quay: Venue) -> None:
    dates = "2026-12-24\n\n2026-12-31 10:00 – 14:00\n"
    said = {"monday": WEEKDAY, "friday": "20:00-02:00", "dates": dates, "reason": "the season begins"}
    looked_at = person.post("/venues/quay/hours", said)
    assert not Event.objects.filter(kind="hours-set").exists(), "nothing is kept before it was looked at"
    assert "it is open 10:00 to 13:00 and 14:00 to 18:00 on Mondays" in looked_at.content.decode()
    response = person.post("/venues/quay/hours", said | {"keep": looked_at.context["seen"]})
    assert (response.status_code, response["Location"]) == (302, "/")
    quay.refresh_from_db()
    hours = venue_hours(quay)
    assert hours == structure(
        {
            "week": {
                "monday": [{"opens": "10:00", "closes": "13:00"}, {"opens": "14:00", "closes": "18:00"}],
                "friday": [{"opens": "20:00", "closes": "02:00"}],
            },
            "dates": [{"date": "2026-12-24"}, {"date": "2026-12-31", "open": [{"opens": "10:00", "closes": "14:00"}]}],
        },
        Hours,
    )
    shown = person.get("/venues/quay/hours").content.decode()
    assert f'value="{WEEKDAY}"' in shown
    assert "2026-12-24\n2026-12-31 10:00-14:00</textarea>" in shown
    assert Event.objects.get(kind="hours-set").actor.startswith("user:")


@pytest.mark.parametrize(
    ("field", "text", "problem"),
    [
        ("monday", "10-18", "&#x27;10&#x27; is no local time"),
        ("monday", "10:00", "&#x27;&#x27; is no local time"),
        ("tuesday", "10:00-12:00, 11:00-14:00", "begins before tuesday[0] ends"),
        ("dates", "2026-12-24\nChristmas", "date 2: &#x27;Christmas&#x27; is no date"),
    ],
)
def test_what_is_wrong_stands_beside_its_line_and_nothing_is_kept(
    person: Client, quay: Venue, field: str, text: str, problem: str
) -> None:
    shown = person.post("/venues/quay/hours", {field: text, "sunday": "12:00-13:00"}).content.decode()
    assert problem in shown
    assert f'id="wrong-{field}"' in shown
    assert 'value="12:00-13:00"' in shown  # what was typed is not lost
    assert not Event.objects.filter(kind="hours-set").exists()


@pytest.mark.parametrize(
    ("at", "says"),
    [
        (datetime(2026, 7, 7, 8, 59, tzinfo=UTC), "Closed; opens 10:00."),  # a Tuesday; Lisbon is an hour ahead
        (datetime(2026, 7, 7, 9, 0, tzinfo=UTC), "Open until 13:00."),
        (datetime(2026, 7, 7, 12, 0, tzinfo=UTC), "Closed; opens 14:00."),
        (datetime(2026, 7, 7, 17, 0, tzinfo=UTC), "Closed; opens Fri 10 Jul 2026 18:00."),
        (datetime(2026, 7, 10, 23, 0, tzinfo=UTC), "Open until 01:00."),
        (datetime(2026, 7, 10, 22, 0, tzinfo=UTC), "Open until Sat 11 Jul 2026 01:00."),
    ],
)
def test_the_doors_in_words(studio: Caller, quay: Venue, at: datetime, says: str) -> None:
    studio.put("venues/quay/hours", HOURS)
    quay.refresh_from_db()
    assert doors(quay, at) == says


def test_doors_that_never_open_or_never_close(studio: Caller, quay: Venue, clock: HeldClock) -> None:
    assert doors(quay, clock.at) == "No hours are set."
    assert "No hours are set." in Client().get("/").content.decode()
    studio.put("venues/quay/hours", {"week": {}})
    quay.refresh_from_db()
    assert doors(quay, clock.at) == "Closed, and not open within 14 days."
    days = ("monday", "tuesday", "wednesday", "thursday", "friday", "saturday", "sunday")
    studio.put("venues/quay/hours", {"week": {day: [{"opens": "00:00", "closes": "24:00"}] for day in days}})
    quay.refresh_from_db()
    assert doors(quay, clock.at) == "Open day and night."
