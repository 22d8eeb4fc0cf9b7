"""Series of openings at the API and in calendars: made, looked at, changed, called off and taken back."""

from __future__ import annotations

import json
from datetime import UTC, datetime, timedelta
from typing import Any
from zoneinfo import ZoneInfo

import pytest
import vobject
from django.http import HttpResponse
from ical.calendar_stream import IcsCalendarStream

from scheduling.log.models import Event, Opening, OpeningSeries
from scheduling.log.rebuilding.rebuild import rebuild
from server.accounts.principals import Grant
from tests.server.api.test_bad_input import problem
from tests.server.api.test_calendar import NO_SKY, fetch
from tests.server.keys import new_key
from tests.server.studio import FAR_VENUE, SERIES, VENUE, Caller, HeldClock

PATH = "opening-series/sundays"
BOTH = {"id": "night", "name": "One night", "venues": ["quay", "shed"], "rule": None, "dates_off": []}


@pytest.fixture
def quay(studio: Caller) -> Caller:
    studio.create("venues", VENUE)
    studio.create("venues", FAR_VENUE)
    return studio


@pytest.fixture
def sundays(quay: Caller) -> Caller:
    quay.create("opening-series", SERIES)
    return quay


def patch(caller: Caller, body: Any, query: str = "", path: str = PATH) -> HttpResponse:
    match = {"HTTP_IF_MATCH": caller.get(path).headers["ETag"]}
    return caller.other("PATCH", path + query, data=json.dumps(body), content_type="application/json", **match)


def act(caller: Caller, name: str, query: str = "", path: str = PATH) -> HttpResponse:
    return caller.post(f"{path}/{name}{query}", {}, HTTP_IF_MATCH=caller.get(path).headers["ETag"])


def held(caller: Caller, path: str = PATH) -> dict[str, str]:
    """The instants of a series' openings that stand, by their ids."""
    rows = caller.get(f"{path}/openings").json()["results"]
    return {row["id"]: row["opens_at"][:16] for row in rows if row["called_off_at"] is None}


# Making one.


def test_a_series_is_an_ordinary_opening_on_each_date(sundays: Caller) -> None:
    """At the same time by the clock, which goes forward between the first and the second; it shows UTC before."""
    assert held(sundays) == {
        "sundays-2026-03-22": "2026-03-22T19:00",
        "sundays-2026-03-29": "2026-03-29T18:00",
        "sundays-2026-04-12": "2026-04-12T18:00",
    }
    one = sundays.get("openings/sundays-2026-03-29").json()
    assert (one["series"], one["series_date"], one["on_its_own"]) == ("sundays", "2026-03-29", False)
    assert one["closes_at"] == "2026-03-29T20:00:00.000000Z"
    assert sundays.get(PATH).json()["rule"] == "FREQ=WEEKLY;COUNT=4"
    assert [one["id"] for one in sundays.get("opening-series").json()["results"]] == ["sundays"]


def test_an_event_of_the_sky_is_that_of_each_date(quay: Caller) -> None:
    sunset = {"event": "sunset", "date": "2026-06-20", "offset": "-PT30M"}
    closing = {"event": "sunset", "date": "2026-06-20", "offset": "PT1H"}
    quay.create(
        "opening-series",
        SERIES | {"anchor": sunset, "closing": closing, "rule": "FREQ=DAILY;COUNT=2", "dates_off": []},
    )
    found = [quay.get(f"openings/sundays-2026-06-{day}").json() for day in (20, 21)]
    assert [one["anchor"]["date"] for one in found] == ["2026-06-20", "2026-06-21"]
    quay.create(
        "openings", {"id": "alone", "venue": "quay", "name": "Alone", "anchor": sunset | {"date": "2026-06-21"}}
    )
    assert found[1]["opens_at"] == quay.get("openings/alone").json()["opens_at"]
    assert all(one["closes_at"][:10] == one["opens_at"][:10] for one in found)


def test_at_several_venues_at_one_instant(quay: Caller) -> None:
    quay.create("opening-series", SERIES | BOTH)
    assert held(quay, "opening-series/night") == {"night-quay": "2026-03-22T19:00", "night-shed": "2026-03-22T19:00"}


def test_at_the_instant_of_an_event_of_the_first_sky(quay: Caller) -> None:
    sunset = {
        "anchor": {"event": "sunset", "date": "2026-03-22"},
        "closing": {"event": "moonset", "date": "2026-03-22"},
    }
    quay.create("opening-series", SERIES | BOTH | sunset)
    here, there = (quay.get(f"openings/night-{venue}").json() for venue in ("quay", "shed"))
    assert (here["opens_at"], here["closes_at"]) == (there["opens_at"], there["closes_at"])
    assert there["anchor"]["zone"] == FAR_VENUE["zone"]


def test_at_one_time_by_each_clock(quay: Caller) -> None:
    quay.create("opening-series", SERIES | BOTH | {"together": "local", "rule": "FREQ=WEEKLY;COUNT=2"})
    found = [quay.get(f"openings/night-{venue}-2026-03-29").json() for venue in ("quay", "shed")]
    assert [one["anchor"]["civil"] for one in found] == ["2026-03-29T19:00:00"] * 2
    assert [one["anchor"]["zone"] for one in found] == [VENUE["zone"], FAR_VENUE["zone"]]
    assert found[0]["opens_at"] != found[1]["opens_at"]


def test_what_it_would_make_is_told_by_the_clock_of_each_venue(quay: Caller) -> None:
    events = Event.objects.count()
    there = datetime(2026, 3, 22, 19, tzinfo=UTC).astimezone(ZoneInfo(str(FAR_VENUE["zone"])))
    shown = quay.post("opening-series?preview=true", SERIES | BOTH).json()
    assert Event.objects.count() == events
    assert shown["in_words"] == [
        "One night opens 2026-03-22 19:00 at Quay House, by the clock of Europe/Lisbon.",
        f"One night opens {there:%Y-%m-%d %H:%M} at {FAR_VENUE['name']}, by the clock of {FAR_VENUE['zone']}.",
    ]


def test_the_same_order_again_makes_nothing_more(sundays: Caller) -> None:
    events = Event.objects.count()
    assert sundays.post("opening-series", SERIES).status_code == 201
    assert Event.objects.count() == events
    assert problem(sundays.post("opening-series", SERIES | {"name": "Other"}), 409)


@pytest.mark.parametrize(
    ("body", "field", "told"),
    [
        ({"rule": "FREQ=WEEKLY"}, "rule", "no one end"),
        ({"rule": "FREQ=DAILY;COUNT=201", "dates_off": []}, "rule", "more than 200"),
        ({"rule": "FREQ=DAILY;COUNT=101", "dates_off": [], "venues": ["quay", "shed"]}, "rule", "more than 200"),
        ({"rule": None}, "dates_off", "without a rule"),
        ({"dates_off": ["2026-04-06"]}, "dates_off", "no date of the rule"),
        ({"rule": "FREQ=WEEKLY;COUNT=1", "dates_off": ["2026-03-22"]}, "dates_off", "no date is left"),
        ({"venues": []}, "venues", "none"),
        ({"venues": ["quay", "quay"]}, "venues", "one twice"),
        ({"venues": ["nowhere"]}, "venue", "there is no venue"),
        ({"venues": [f"quay-{number}" for number in range(200)]}, "venue", "there is no venue"),
        ({"venues": [f"quay-{number}" for number in range(201)]}, "venues", "more than 200"),
        ({"together": "somehow"}, "together", "somehow"),
        ({"together": "local", "venues": ["shed", "quay"]}, "anchor.zone", "at one local time"),
        ({"id": "s" * 39}, "id", "too long"),
        ({"closing": {"duration": "PT0S"}}, "closing", "does not close after it opens"),
        ({"closing": {"duration": "P9999999D"}}, "closing", "does not close after it opens"),
        ({"closing": {"duration": "soon"}}, "closing.duration", "no ISO 8601 duration"),
        ({"closing": {"duration": "PT1H", "event": "sunset"}}, "closing", "nothing else"),
        ({"anchor": {"civil": "soon", "zone": "Europe/Lisbon"}}, "anchor.civil", "no local time"),
        # The clocks leave that hour out on the second date.
        ({"anchor": {"civil": "2026-03-22T01:30", "zone": "Europe/Lisbon"}}, "anchor.civil", "on 2026-03-29"),
        ({"anchor": {"event": "full-moon", "date": "2026-03-22"}}, "anchor.date", "on 2026-03-22"),
    ],
)
def test_what_cannot_be_is_refused_and_nothing_is_written(quay: Caller, body: Any, field: str, told: str) -> None:
    events = Event.objects.count()
    refused = problem(quay.post("opening-series", SERIES | body), 422)
    assert refused["field"] == field
    assert told in refused["detail"]
    assert Event.objects.count() == events


def test_a_time_that_one_date_lacks_is_read_as_is_said(quay: Caller) -> None:
    anchor = {"civil": "2026-03-22T01:30", "zone": "Europe/Lisbon", "which": "later"}
    quay.create("opening-series", SERIES | {"anchor": anchor})
    assert held(quay)["sundays-2026-03-29"] == "2026-03-29T01:30"
    assert held(quay)["sundays-2026-04-12"] == "2026-04-12T00:30"


def test_a_date_that_was_skipped_has_no_opening(studio: Caller) -> None:
    """Apia had no 30 December 2011."""
    studio.create("venues", VENUE | {"zone": "Pacific/Apia", "latitude_degrees": -13.8, "longitude_degrees": -171.8})
    anchor = {"civil": "2011-12-29T19:00", "zone": "Pacific/Apia"}
    daily = SERIES | {"anchor": anchor, "rule": "FREQ=DAILY;COUNT=3", "dates_off": []}
    assert "on 2011-12-30" in problem(studio.post("opening-series", daily), 422)["detail"]
    studio.create("opening-series", daily | {"dates_off": ["2011-12-30"]})
    assert list(held(studio)) == ["sundays-2011-12-29", "sundays-2011-12-31"]


def test_an_id_that_an_opening_has_is_not_taken_twice(quay: Caller) -> None:
    anchor = SERIES["anchor"]
    quay.create("openings", {"id": "sundays-2026-03-29", "venue": "quay", "name": "First", "anchor": anchor})
    events = Event.objects.count()
    assert problem(quay.post("opening-series", SERIES), 422)["field"] == "id"
    assert Event.objects.count() == events


# Changing what is to come.


def test_what_is_to_come_moves_and_exceptions_stay(sundays: Caller, clock: HeldClock) -> None:
    later = {"anchor": {"civil": "2026-03-29T21:00", "zone": "Europe/Lisbon"}}
    patch(sundays, later, path="openings/sundays-2026-03-29")
    clock.at = datetime(2026, 3, 23, tzinfo=UTC)
    shown = patch(sundays, {"anchor": {"civil": "2026-03-22T20:00:00"}}, "?preview=true").json()
    assert shown["in_words"] == [
        "Sunday evening, 2026-03-29 21:00 at Quay House, by the clock of Europe/Lisbon,"
        " stays: it was changed by itself.",
        "Sunday evening moves to 2026-04-12 20:00 at Quay House, by the clock of Europe/Lisbon,"
        " instead of 2026-04-12 19:00 at Quay House, by the clock of Europe/Lisbon.",
    ]
    assert patch(sundays, {"anchor": {"civil": "2026-03-22T20:00:00"}}).status_code == 200
    assert list(held(sundays).values()) == ["2026-03-22T19:00", "2026-03-29T20:00", "2026-04-12T19:00"]


def test_it_is_named_otherwise(sundays: Caller) -> None:
    assert patch(sundays, {"name": "Late Sunday"}).status_code == 200
    assert set(Opening.objects.values_list("name", flat=True)) == {"Late Sunday"}
    (step,) = sundays.get("openings/sundays-2026-03-22/history").json()["steps"][1:]
    assert [one["field"] for one in step["fields"]] == ["name"]


def test_a_series_is_extended(sundays: Caller) -> None:
    assert patch(sundays, {"rule": "FREQ=WEEKLY;COUNT=5", "dates_off": []}).status_code == 200
    assert list(held(sundays)) == [f"sundays-2026-{day}" for day in ("03-22", "03-29", "04-05", "04-12", "04-19")]


def test_what_falls_out_is_called_off_once_it_is_meant_and_may_come_back(sundays: Caller) -> None:
    shorter = {"rule": "FREQ=WEEKLY;COUNT=2", "dates_off": []}
    refused = problem(patch(sundays, shorter), 409)
    assert [one["kind"] for one in refused["warnings"]] == ["called-off"]
    assert patch(sundays, shorter, "?accept=true").status_code == 200
    assert list(held(sundays)) == ["sundays-2026-03-22", "sundays-2026-03-29"]
    assert patch(sundays, {"rule": SERIES["rule"], "dates_off": SERIES["dates_off"]}).status_code == 200
    assert len(held(sundays)) == 3


def test_an_opening_that_was_called_off_by_itself_stays_so(sundays: Caller, clock: HeldClock) -> None:
    act(sundays, "call-off", path="openings/sundays-2026-03-29")
    patch(sundays, {"name": "Late Sunday"})
    clock.at += timedelta(hours=1)
    act(sundays, "call-off")
    act(sundays, "take-back")
    assert list(held(sundays)) == ["sundays-2026-03-22", "sundays-2026-04-12"]


@pytest.mark.parametrize("body", [{"venues": ["shed"]}, {"id": "mondays"}, {"together": "local"}])
def test_what_never_changes(sundays: Caller, body: Any) -> None:
    assert problem(patch(sundays, body), 422)["remedy"].startswith("leave it out")


def test_those_at_one_instant_do_not_part_unseen(quay: Caller) -> None:
    quay.create("opening-series", SERIES | BOTH)
    later = {"anchor": {"civil": "2026-03-22T20:00", "zone": "Europe/Lisbon"}}
    assert [one["kind"] for one in problem(patch(quay, later, path="openings/night-quay"), 409)["warnings"]] == [
        "apart"
    ]
    assert patch(quay, later, path="opening-series/night").status_code == 200
    assert set(held(quay, "opening-series/night").values()) == {"2026-03-22T20:00"}


# Calling off.


def test_the_rest_is_called_off_and_taken_back(sundays: Caller, clock: HeldClock) -> None:
    clock.at = datetime(2026, 3, 23, tzinfo=UTC)
    told = act(sundays, "call-off", "?preview=true").json()["in_words"]
    assert told == [
        f"Sunday evening is called off: {day} 19:00 at Quay House, by the clock of Europe/Lisbon."
        for day in ("2026-03-29", "2026-04-12")
    ]
    assert act(sundays, "call-off").json()["called_off_at"] == "2026-03-23T00:00:00.000000Z"
    assert list(held(sundays)) == ["sundays-2026-03-22"]
    assert act(sundays, "call-off").status_code == 200
    assert problem(patch(sundays, {"name": "Late"}), 422)["remedy"] == "take that back first"
    clock.at = datetime(2026, 4, 1, tzinfo=UTC)
    assert act(sundays, "take-back").json()["called_off_at"] is None
    assert list(held(sundays)) == ["sundays-2026-03-22", "sundays-2026-04-12"]
    kinds = [one["kind"] for one in sundays.get(f"{PATH}/history").json()["steps"]]
    assert kinds == ["opening-series-fixed", "opening-series-called-off", "opening-series-fixed"]


def test_folded_again_it_is_the_same(sundays: Caller) -> None:
    patch(sundays, {"name": "Late Sunday"})
    act(sundays, "call-off")
    before = list(OpeningSeries.objects.values()), list(Opening.objects.values())
    rebuild()
    assert (list(OpeningSeries.objects.values()), list(Opening.objects.values())) == before


def test_the_past_stays_what_it_was(sundays: Caller, clock: HeldClock) -> None:
    then = clock.at
    clock.at += timedelta(hours=1)
    patch(sundays, {"name": "Late Sunday"})
    asked = f"{PATH}?at={then:%Y-%m-%dT%H:%M:%SZ}"
    assert sundays.get(asked).json()["name"] == "Sunday evening"


# Who may.


def test_a_curator_has_to_be_of_every_venue(quay: Caller) -> None:
    hers = Caller(new_key("hers", Grant("curator", ("quay",))))
    theirs = Caller(new_key("theirs", Grant("curator", ("quay", "shed"))))
    assert hers.post("opening-series", SERIES | BOTH).status_code == 403
    assert theirs.post("opening-series", SERIES | BOTH).status_code == 201
    assert act(hers, "call-off", path="opening-series/night").status_code == 403
    assert act(theirs, "call-off", path="opening-series/night").status_code == 200
    assert hers.post("opening-series", SERIES).status_code == 201


# As calendar programs read it.


def test_each_is_an_event_of_its_own_that_other_readers_follow(sundays: Caller) -> None:
    def read() -> list[list[tuple[Any, ...]]]:
        text = fetch(NO_SKY).content.decode()
        ours: list[Any] = list(vobject.readOne(text).vevent_list)
        others = IcsCalendarStream.calendar_from_ics(text).events
        of_one = [
            (
                one.uid.value,
                one.dtstart.value,
                int(one.sequence.value),
                one.status.value if hasattr(one, "status") else None,
            )
            for one in ours
        ]
        of_other = [
            (one.uid, one.dtstart, one.sequence, None if one.status is None else one.status.value) for one in others
        ]
        return [sorted(of_one), sorted(of_other)]

    first, second = read()
    assert first == second
    assert len({uid for uid, *_ in first}) == 3
    assert {at for _, at, *_ in first} == {
        datetime(2026, 3, 22, 19, tzinfo=UTC),
        datetime(2026, 3, 29, 18, tzinfo=UTC),
        datetime(2026, 4, 12, 18, tzinfo=UTC),
    }
    patch(sundays, {"anchor": {"civil": "2026-03-22T20:00:00"}})
    moved, again = read()
    assert moved == again == [(uid, at + timedelta(hours=1), 1, None) for uid, at, *_ in first]
    act(sundays, "call-off")
    off, again = read()
    assert off == again == [(uid, at, 2, "CANCELLED") for uid, at, *_ in moved]
