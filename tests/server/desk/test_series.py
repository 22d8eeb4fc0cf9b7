"""Series of openings on the pages: made, changed, called off and taken back, and under them their openings."""

from __future__ import annotations

from datetime import date
from typing import Any

import pytest
from django.test import Client

from scheduling.log.models import Opening, OpeningSeries
from scheduling.sky.zones import zone
from server.accounts.models import PersonRole
from server.desk.series_rule import First, Recurs, in_words, rule_of, said_of
from tests.server.desk.pages import kept, looked, shown, signed_in
from tests.server.desk.test_runs import changing
from tests.server.studio import FAR_VENUE, SERIES, VENUE, Caller

NEW: dict[str, Any] = {
    "name": "Late Saturday",
    "venue": "quay",
    "together": "instant",
    "opens_by": "clock",
    "opens_civil": "2026-03-21T19:00",
    "lasts": "90",
    "recurs": "weekly",
    "every": "1",
    "count": "3",
}
OFF = {"dates_off": "2026-04-05"}
LISBON = First(date(2026, 3, 22), zone("Europe/Lisbon"))
PATH = "/opening-series/sundays"


@pytest.fixture
def person(studio: Caller) -> Client:
    for venue in (VENUE, FAR_VENUE):
        studio.create("venues", venue)
    return signed_in()


@pytest.fixture
def sundays(person: Client, studio: Caller) -> Client:
    studio.create("opening-series", SERIES)
    return person


def days() -> list[str]:
    rows = Opening.objects.filter(called_off_at=None).order_by("opens_at", "id")
    return [f"{row.opens_at:%m-%d %H:%M}" for row in rows]


@pytest.mark.parametrize(
    ("said", "first", "rule", "words"),
    [
        (Recurs(how="weekly", count=4), LISBON, "FREQ=WEEKLY;COUNT=4", "every week on Sunday, 4 dates"),
        (
            Recurs(how="weekly", every=2, days=("SA", "SU"), until=date(2026, 4, 30)),
            LISBON,  # midnight there is 23:00 in UTC, in summer
            "FREQ=WEEKLY;INTERVAL=2;BYDAY=SA,SU;UNTIL=20260430T225959Z",
            "every 2 weeks on Saturday, Sunday, until Thu 30 Apr 2026",
        ),
        (
            Recurs(how="daily", until=date(2026, 4, 30)),
            First(date(2026, 3, 22), None),
            "FREQ=DAILY;UNTIL=20260430",
            "every day, until Thu 30 Apr 2026",
        ),
        (
            Recurs(how="by-weekday", count=1),
            LISBON,
            "FREQ=MONTHLY;BYDAY=4SU;COUNT=1",
            "every month on the fourth Sunday, 1 date",
        ),
        (
            Recurs(how="by-weekday", count=2),
            First(date(2026, 3, 29), None),
            "FREQ=MONTHLY;BYDAY=-1SU;COUNT=2",
            "every month on the last Sunday, 2 dates",
        ),
        (Recurs(how="by-date", count=2), LISBON, "FREQ=MONTHLY;COUNT=2", "every month on day 22, 2 dates"),
        (Recurs(), LISBON, None, "once"),
        (
            Recurs(how="own", own="FREQ=YEARLY;BYYEARDAY=81;COUNT=2"),
            LISBON,
            "FREQ=YEARLY;BYYEARDAY=81;COUNT=2",
            "by the rule FREQ=YEARLY;BYYEARDAY=81;COUNT=2",
        ),
    ],
)
def test_how_often_is_written_as_a_rule_and_read_back(said: Recurs, first: First, rule: str | None, words: str) -> None:
    assert rule_of(said, first) == rule
    assert said_of(rule, first) == said
    assert in_words(rule, first) == words


def test_a_rule_that_says_more_than_the_form_stays_as_it_was_written() -> None:
    for rule in ("FREQ=WEEKLY;UNTIL=20260430T120000Z", "FREQ=MONTHLY;BYDAY=2SU;COUNT=2", "FREQ=WEEKLY;WKST=SU;COUNT=2"):
        assert said_of(rule, LISBON) == Recurs(how="own", own=rule)


def test_each_of_its_openings_is_seen_before_there_is_one(person: Client) -> None:
    page, body = looked(person, "/opening-series/new", NEW)
    assert page.count("Late Saturday opens 2026-0") == 3 and "2026-04-04 19:00 at Quay House" in page
    assert not Opening.objects.exists()
    assert "Late Saturday is added." in shown(person, "/opening-series/new", body)
    assert days() == ["03-21 19:00", "03-28 19:00", "04-04 18:00"]  # the clock goes forward on the 29th
    row = OpeningSeries.objects.get(pk="late-saturday")
    assert (row.rule, row.closing) == ("FREQ=WEEKLY;COUNT=3", {"duration": "PT90M"})


def test_one_on_days_without_visitors_is_warned_of_and_kept_where_it_is_meant(person: Client, studio: Caller) -> None:
    week = {"monday": [{"opens": "10:00", "closes": "18:00"}]}
    assert studio.put("venues/quay/hours", {"week": week, "dates": []}).status_code == 200
    page, body = looked(person, "/opening-series/new", NEW)
    assert page.count("Quay House is closed then, by its hours.") == 4  # beside each, and once for a yes
    assert "3 of 3 openings, the first 2026-03-21 19:00 at Quay House" in page and page.count("Is that meant?") == 1
    assert "Late Saturday is added." in shown(person, "/opening-series/new", body)
    assert len(days()) == 3


def test_what_is_warned_of_since_it_was_looked_at_is_seen_first(person: Client, studio: Caller) -> None:
    _, body = looked(person, "/opening-series/new", NEW)
    week = {"monday": [{"opens": "10:00", "closes": "18:00"}]}
    assert studio.put("venues/quay/hours", {"week": week, "dates": []}).status_code == 200
    assert "more follows by now" in shown(person, "/opening-series/new", body)
    assert not Opening.objects.exists()


def test_it_opens_by_the_sky_at_several_venues(person: Client) -> None:
    sky = {"opens_by": "sky", "opens_event": "sunset", "opens_date": "2026-03-21", "opens_minutes": "30"}
    said = NEW | sky | {"opens_side": "before", "others": ["quay", "shed"], "together": "local", "lasts": ""}
    kept(person, "/opening-series/new", said | {"recurs": "daily", "count": "", "until": "2026-03-22"})
    row = OpeningSeries.objects.get()
    assert (row.venues, row.rule, row.closing) == (["quay", "shed"], "FREQ=DAILY;UNTIL=20260322", None)
    assert Opening.objects.count() == 4


def test_what_is_wrong_stands_beside_its_field(person: Client) -> None:
    for said, place, told in (
        ({"count": ""}, "count", "Say either how many dates there are, or the last of them."),
        ({"until": "2026-05-01"}, "count", "Say either how many"),
        ({"recurs": "own"}, "own", "Say by which rule."),
        ({"recurs": "own", "own": "FREQ=WEEKLY"}, "own", "no one end"),
        ({"days": ["MO"]}, "recurs", "the first"),
        ({"dates_off": "next week"}, "dates_off", "Give a date a line"),
        ({"dates_off": "2026-03-29"}, "dates_off", "no date of the rule"),
        ({"opens_civil": "2026-03-29T01:30"}, "opens", "does not exist in Europe/Lisbon"),
    ):
        page = shown(person, "/opening-series/new", NEW | said)
        assert f'id="id_{place}_error"' in page and told in page and 'value="Late Saturday"' in page, said
    assert not OpeningSeries.objects.exists()


def test_what_is_to_come_of_it_is_changed(sundays: Client) -> None:
    assert "It is so already" in shown(sundays, f"{PATH}/change", changing(sundays, f"{PATH}/change", **OFF))
    page = shown(sundays, f"{PATH}/change")
    assert "now 2026-03-22 19:00 by the clock of Europe/Lisbon" in page and "2026-04-05</textarea>" in page
    body = changing(sundays, f"{PATH}/change", count="5", lasts="60", reason="it is asked for", **OFF)
    page, body = looked(sundays, f"{PATH}/change", body)
    assert "every week on Sunday, 4 dates</td><td>every week on Sunday, 5 dates" in page
    assert "it is asked for" in shown(sundays, f"{PATH}/change", body)
    assert days() == ["03-22 19:00", "03-29 18:00", "04-12 18:00", "04-19 18:00"]
    assert OpeningSeries.objects.get().closing == {"duration": "PT60M"}


def test_its_first_is_named_by_the_sky_instead(sundays: Client) -> None:
    sky = {"opens_by": "sky", "opens_event": "sunset", "opens_date": "2026-03-22", "opens_minutes": "0"}
    body = changing(sundays, f"{PATH}/change", **OFF, count="", until="2026-04-12")
    kept(sundays, f"{PATH}/change", body | sky)
    row = OpeningSeries.objects.get()
    assert (row.anchor, row.rule) == ({"event": "sunset", "date": "2026-03-22"}, "FREQ=WEEKLY;UNTIL=20260412")


def test_its_page_shows_its_openings_and_it_is_called_off_and_taken_back(sundays: Client) -> None:
    page = shown(sundays, PATH)
    assert page.count('href="/openings/sundays-') == 3 and "every week on Sunday, 4 dates" in page
    kept(sundays, f"{PATH}/call-off", {"reason": "the roof leaks"})
    page = shown(sundays, PATH)
    assert page.count("; called off</span>") == 3 and "“the roof leaks”" in page and f"{PATH}/change" not in page
    assert "It is called off. Let it stand again first." in shown(sundays, f"{PATH}/change")
    assert "· called off</span>" in shown(sundays, "/opening-series")
    kept(sundays, f"{PATH}/take-back", {})
    assert len(days()) == 3


def test_openings_stand_under_their_series(sundays: Client, studio: Caller) -> None:
    page = shown(sundays, "/openings")
    assert page.count("Sunday evening</a></h2>") == 1 and f'href="{PATH}/call-off"' in page
    assert page.count('href="/openings/sundays-') == 9 and page.count("<article") == 1


def test_a_curator_of_a_venue_makes_series_there_alone(sundays: Client) -> None:
    curator = signed_in("curator")
    PersonRole.objects.update(venues=["shed"])
    page = shown(curator, "/opening-series/new")
    assert '<option value="shed">' in page and '<option value="quay">' not in page
    assert f"{PATH}/change" not in shown(curator, PATH)
    assert curator.get(f"{PATH}/change").status_code == 403
    kept(curator, "/opening-series/new", NEW | {"venue": "shed"})
    assert OpeningSeries.objects.get(pk="late-saturday").venues == ["shed"]
