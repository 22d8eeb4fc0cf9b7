"""How often the database is asked for one request: the numbers are pinned, so that nobody reads anew what was read.
They are exact: in a bound with room nobody would see one question more.

A page that shows many machines asks as often as for a few. What is worked out once an hour for each machine, its
forecast, is worked out before the pages are counted.
"""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

import pytest
from django.db import connection
from django.test import Client
from django.test.utils import CaptureQueriesContext

from server import jobs
from server.heavy import ANSWERS
from tests.server.conftest import enrol
from tests.server.desk.pages import signed_in
from tests.server.studio import FAR_VENUE, MACHINE, OPENING, PROFILE, RUN, SERVICE_WINDOW, Caller, HeldClock, changed

FEED = "/api/v1/venues/quay/calendar.ics"


def add_machines(studio: Caller, first: int, end: int) -> None:
    """Each on a run of its own, half of them with a board and of another model."""
    for number in range(first, end):
        id = f"wren-{number}"
        studio.create(
            "machines", MACHINE | {"id": id, "name": f"Wren {number}", "profile": ("wren", "owl")[number % 2]}
        )
        studio.create(
            "runs", RUN | {"id": f"spring-{number}", "machine": id, "strips_per_turn": 0, "begins_in_the_past": True}
        )
        if number % 2:
            enrol(studio, id)
    while jobs.extend():
        pass


@pytest.fixture
def three(furnished: Caller, clock: HeldClock) -> Caller:
    """Three machines at a venue with a service window, and each with a run that began two hours ago."""
    furnished.create("profiles", changed(PROFILE, "profile.knife", ...) | {"id": "owl"})
    furnished.create("service-windows", SERVICE_WINDOW)
    enrol(furnished)
    add_machines(furnished, 2, 4)
    clock.sleep(8 * 3600.0)
    return furnished


def asked_by(path: str, client: Client | None = None, *, times: int = 1) -> int:
    """How often a page asks, once it was asked for so many times."""
    client = client or Client()
    for _ in range(times):
        assert client.get(path).status_code == 200
    with CaptureQueriesContext(connection) as queries:
        assert client.get(path).status_code == 200
    return len(queries)


def test_the_console_asks_as_often_for_many_machines_as_for_three(three: Caller) -> None:
    """Where they are few, three more tell what lies on their paper: what was laid, what was cut by hand, and the plates
    of what is to come; one more would tell of the cuts of what was laid. One tells what the server leaves undone."""
    of_three = asked_by("/")
    add_machines(three, 4, 5)
    assert asked_by("/") == of_three == 21
    add_machines(three, 5, 6)
    of_five = asked_by("/")
    add_machines(three, 6, 13)
    assert asked_by("/") == of_five == 18


def test_the_season_asks_as_often_for_many_machines_as_for_three(three: Caller) -> None:
    of_three = asked_by("/season")
    add_machines(three, 4, 13)
    assert asked_by("/season") == of_three == 13


def test_the_days_sheet_asks_as_often_for_thirty_machines_as_for_three(three: Caller) -> None:
    """When what the forecasts are counted from last changed is asked once for all of them."""
    of_three = asked_by("/venues/quay/today")
    add_machines(three, 4, 31)
    assert asked_by("/venues/quay/today") == of_three == 14


# Of lists that show machines, runs and what is planned of them, for who is signed in.
LISTS = {
    "/openings": 5,
    "/runs": 8,
    "/machines": 6,
    "/venues/quay": 14,
    "/opening-series": 3,
    "/told": 5,
    "/runs/new": 4,
}


def test_the_lists_ask_as_often_for_thirty_machines_as_for_three(three: Caller) -> None:
    client = signed_in()
    assert {path: asked_by(path, client) for path in LISTS} == LISTS
    add_machines(three, 4, 31)
    assert {path: asked_by(path, client) for path in LISTS} == LISTS


def feed_asks() -> int:
    """How often a venue's calendar asks that nobody has asked for before, where all forecasts of the hour are there."""
    ANSWERS.forget()
    return asked_by(FEED, times=0)


def test_the_calendar_asks_as_often_for_thirty_machines_as_for_three(three: Caller) -> None:
    assert Client().get(FEED).status_code == 200
    of_three = feed_asks()
    add_machines(three, 4, 31)
    assert Client().get(FEED).status_code == 200
    assert feed_asks() == of_three == 20


def test_an_openings_page_asks_nine_times_more_for_each_machine(three: Caller) -> None:
    """What lies on the paper of each then is worked out by itself: its newest report, what lies there, what was cut and
    by whom, what is due, which version of the picture, its plates, and its runs while the doors are open. What is to
    come of all runs is read once."""
    of_three = asked_by("/openings/first-night")
    add_machines(three, 4, 13)
    assert (of_three, asked_by("/openings/first-night")) == (41, 41 + 9 * 9)


def test_a_first_days_sheet_of_the_hour_counts_each_forecast_once(
    three: Caller, django_assert_num_queries: Any
) -> None:
    with django_assert_num_queries(40):
        assert Client().get("/venues/quay/today").status_code == 200


def test_the_windows_of_a_venue_ask_as_often_for_many_machines_as_for_three(three: Caller) -> None:
    of_three = asked_by("/venues/quay/service-windows")
    add_machines(three, 4, 13)
    assert asked_by("/venues/quay/service-windows") == of_three == 9


def test_the_studios_calendar_asks_as_often_for_many_machines_and_venues_as_for_a_few(three: Caller) -> None:
    """What was kept is answered from five: how the log stands, and its views, the secret, and the venues."""
    feed = three.post("studio/calendar/address", {}).json()["address"].removeprefix("/api/v1/")

    def made() -> int:
        assert Caller().get(feed).status_code == 200
        ANSWERS.forget()
        with CaptureQueriesContext(connection) as queries:
            assert Caller().get(feed).status_code == 200
        return len(queries)

    of_three = made()
    add_machines(three, 4, 13)
    three.create("venues", FAR_VENUE)
    three.create("openings", OPENING | {"id": "far", "venue": "shed"})
    assert made() == of_three == 21
    with CaptureQueriesContext(connection) as queries:
        assert Caller().get(feed).status_code == 200
    assert len(queries) == 5


def test_a_visitors_page_is_read_once(three: Caller, django_assert_num_queries: Any) -> None:
    """Once more of the run, for when it rests."""
    with django_assert_num_queries(12):
        assert Client().get("/machines/wren-1/now").status_code == 200


def test_the_proof_of_a_run_reads_each_thing_once(three: Caller, django_assert_num_queries: Any) -> None:
    assert three.get("runs/spring/proof.png").status_code == 200  # and notes that the key was used
    with django_assert_num_queries(5):
        assert three.get("runs/spring/proof.png").status_code == 200


def test_planning_a_run_reads_each_thing_once(furnished: Caller, django_assert_num_queries: Any) -> None:
    """Six of these begin and end transactions. Where nobody can append, it is asked again whether this very order was
    given, and the machine, its model, its other runs and the source are looked at again, as others may change them. Two
    more tell what its board knows."""
    later = {"starts_at": "2026-05-01T12:00:00Z", "ends_at": "2026-05-04T12:00:00Z"}
    with django_assert_num_queries(32):
        furnished.create("runs", RUN | {"id": "summer"} | later)


def test_checking_a_run_reads_each_thing_once(furnished: Caller, django_assert_num_queries: Any) -> None:
    later = {"starts_at": "2026-05-01T12:00:00Z", "ends_at": "2026-05-04T12:00:00Z"}
    with django_assert_num_queries(14):
        assert furnished.post("run-checks", RUN | {"id": "summer"} | later).status_code == 200


def asked_in(call: Callable[[], Any]) -> int:
    """How often a good answer of the API asks, the second time: with the first it is noted that the key was used."""
    assert call().status_code == 200
    with CaptureQueriesContext(connection) as queries:
        assert call().status_code == 200
    return len(queries)


def test_a_series_that_a_run_names_reads_its_machine_once(furnished: Caller) -> None:
    passage = {"under_head": {"machine": "wren-1", "phase": 0.25}, "date": "2026-03-21"}
    series = {"id": "passages", "name": "Passages", "venues": ["quay"], "anchor": passage}

    def looked_at(dates: int) -> Any:
        return furnished.post("opening-series?preview=true", series | {"rule": f"FREQ=DAILY;COUNT={dates}"})

    one, three = (asked_in(lambda dates=dates: looked_at(dates)) for dates in (1, 3))
    assert (one, three - one) == (40, 16), "what lies on the paper at each is read for it, of 60 at most"


def test_a_runs_end_asks_as_often_for_many_openings_as_for_one(furnished: Caller) -> None:
    """Those that were named by what it does not print any more are told."""
    tag = furnished.get("runs/spring").headers["ETag"]

    def fix(first: int, end: int) -> None:
        for number in range(first, end):
            cut = {"strip_cut": {"run": "spring", "boundary": 6}}
            furnished.create("openings", OPENING | {"id": f"cut-{number}", "name": f"Cut {number}", "anchor": cut})

    def looked_at() -> Any:
        return furnished.post("runs/spring/end?preview=true", {"at": "2026-03-21T12:00:00Z"}, HTTP_IF_MATCH=tag)

    fix(0, 1)
    for_one = asked_in(looked_at)
    fix(1, 6)
    assert asked_in(looked_at) == for_one == 20
    assert [one["kind"] for one in looked_at().json()["warnings"]] == ["named-by-this"] * 6


def test_another_place_of_a_venue_asks_as_often_for_many_openings_as_for_one(furnished: Caller) -> None:
    """Each is worked out anew, and told again with it."""
    tag = furnished.get("venues/quay").headers["ETag"]

    def fix(first: int, end: int) -> None:
        for number in range(first, end):
            at = {"event": "sunset", "date": f"2026-04-{number + 1:02}"}
            furnished.create("openings", OPENING | {"id": f"dusk-{number}", "name": f"Dusk {number}", "anchor": at})

    def looked_at() -> Any:
        body = {"content_type": "application/json", "data": b'{"elevation_m": 900.0}'}
        return furnished.other("PATCH", "venues/quay?preview=true", HTTP_IF_MATCH=tag, **body)

    fix(0, 1)
    for_one = asked_in(looked_at)
    fix(1, 6)
    assert asked_in(looked_at) == for_one == 10
    assert sum("moves to" in said for said in looked_at().json()["in_words"]) >= 6
