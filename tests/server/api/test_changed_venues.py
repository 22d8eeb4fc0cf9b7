"""Venues whose place or zone is put right, with what hangs on them; retired, and taken back."""

from __future__ import annotations

from datetime import UTC, datetime, timedelta
from typing import Any

import icalendar
import pytest
from django.test import Client

from scheduling.log.models import Event
from server.api import base_views, changes
from tests.server.api.test_bad_input import problem
from tests.server.api.test_calendar import FEED, NO_SKY, fetch
from tests.server.api.test_changed_resources import act, patch, steps
from tests.server.studio import (
    FAR_VENUE,
    MACHINE,
    OPENING,
    PROFILE,
    RUN,
    SERVICE_WINDOW,
    SOURCE,
    VENUE,
    Caller,
    HeldClock,
)

PATH = "venues/quay"
DUSK = {"id": "dusk", "venue": "quay", "name": "Dusk", "anchor": {"event": "sunset", "date": "2026-03-22"}}
BLADE = SERVICE_WINDOW | {
    "id": "blade",
    "name": "New blade",
    "comes": {"kind": "once", "anchor": {"event": "sunset", "date": "2026-03-24"}, "minutes": 45},
}
# The other end of the land, some minutes of the Sun to the east.
EAST = {"latitude_degrees": 41.8, "longitude_degrees": -6.75, "reason": "it is the other house"}


@pytest.fixture
def quay(studio: Caller) -> Caller:
    studio.create("venues", VENUE)
    for resource, body in (("openings", OPENING), ("openings", DUSK), ("service-windows", BLADE)):
        studio.create(resource, body)
    studio.create("service-windows", SERVICE_WINDOW)
    return studio


def on_a_run(caller: Caller, **said: Any) -> None:
    for resource, body in (("profiles", PROFILE), ("machines", MACHINE), ("sources", SOURCE | said.pop("source", {}))):
        caller.create(resource, body)
    caller.create("runs", RUN | said)


def test_what_is_named_by_the_sky_is_worked_out_anew_and_told_with_it(quay: Caller) -> None:
    was = quay.get("openings/dusk").json()["opens_at"]
    shown = patch(quay, PATH, EAST, "?preview=true").json()
    assert shown["in_words"][0] == "It stands at 41.8, -6.75, 12 m from now on, instead of at 38.71, -9.14, 12 m."
    assert [said.partition(" moves to ")[0] for said in shown["in_words"][1:]] == ["Dusk", "New blade"]
    position = Event.objects.order_by("-position").values_list("position", flat=True)[0]
    assert patch(quay, PATH, EAST).status_code == 200
    said = list(Event.objects.filter(position__gt=position).values_list("stream", "kind"))
    assert said == [
        ("venue/quay", "venue-changed"),
        ("opening/dusk", "opening-fixed"),
        ("service/blade", "service-window-fixed"),
    ]
    dusk = quay.get("openings/dusk").json()
    assert dusk["opens_at"] < was  # the Sun sets earlier in the east
    assert shown["in_words"][1].startswith(f"Dusk moves to 2026-03-22 {dusk['opens_at'][11:16]}, instead of ")
    assert [steps(quay, path)[-1]["reason"] for path in (PATH, "openings/dusk", "service-windows/blade")] == [
        "it is the other house"
    ] * 3


def test_an_end_that_alone_goes_by_the_sky_is_told_as_the_end(quay: Caller) -> None:
    patch(quay, "openings/first-night", {"closing": {"event": "sunset", "date": "2026-03-22"}})
    was = quay.get("openings/first-night").json()["closes_at"]
    (said,) = (said for said in patch(quay, PATH, EAST, "?preview=true").json()["in_words"] if "First night" in said)
    patch(quay, PATH, EAST)
    ends = quay.get("openings/first-night").json()["closes_at"]
    assert said == (
        f"The end of First night moves to 2026-03-22 {ends[11:16]}, instead of 2026-03-22 {was[11:16]}, by the clock of"
        " Europe/Lisbon."
    )


def test_the_end_of_what_is_under_way_moves_and_its_beginning_stays(quay: Caller, clock: HeldClock) -> None:
    patch(quay, "openings/first-night", {"closing": {"event": "sunset", "date": "2026-03-22"}})
    was = quay.get("openings/first-night").json()
    clock.at = datetime(2026, 3, 22, tzinfo=UTC)
    told = patch(quay, PATH, EAST, "?preview=true").json()["in_words"]
    assert told[1].startswith("The end of First night moves to 2026-03-22 18:4")
    assert patch(quay, PATH, EAST).status_code == 200
    now = quay.get("openings/first-night").json()
    assert (now["opens_at"], now["anchor"]) == (was["opens_at"], was["anchor"])
    assert now["closes_at"] < was["closes_at"]
    assert now["closes_at"] == quay.get("openings/dusk").json()["opens_at"]  # the same sunset


def test_what_would_have_no_instant_is_named_and_nothing_moves(quay: Caller) -> None:
    dawn = {"id": "dawn", "venue": "quay", "name": "Dawn", "anchor": {"event": "sunrise", "date": "2026-06-21"}}
    quay.create("openings", dawn)
    events = Event.objects.count()
    refused = problem(patch(quay, PATH, {"latitude_degrees": 78.2, "longitude_degrees": 15.6}), 422)
    assert refused["problem"].startswith("Dawn (dawn) would have no instant there")
    assert refused["remedy"] == "change it or call it off first"
    assert Event.objects.count() == events


def test_another_zone_counts_dates_and_times_otherwise(quay: Caller) -> None:
    shown = patch(quay, PATH, {"zone": "Atlantic/Azores"}, "?preview=true").json()
    assert shown["in_words"][:2] == [
        "Its clock is that of Atlantic/Azores from now on, instead of Europe/Lisbon.",
        "Its hours and the service windows that come every week go by that clock.",
    ]
    before = quay.get("venues/quay/service-windows").json()["windows"][0]["starts_at"]
    patch(quay, PATH, {"zone": "Atlantic/Azores"})
    after = quay.get("venues/quay/service-windows").json()["windows"]
    assert (before[11:16], after[0]["starts_at"][11:16]) == ("10:00", "11:00")
    assert quay.get("openings/first-night").json()["opens_at"] == "2026-03-21T19:00:00.000000Z"  # it has a zone itself


def test_calendars_say_that_what_moved_is_another(quay: Caller, clock: HeldClock) -> None:
    def sequences() -> set[tuple[int, datetime]]:
        entries = icalendar.Calendar.from_ical(fetch(NO_SKY).content).walk("VEVENT")
        return {
            (one["sequence"], one["last-modified"].dt) for one in entries if one["summary"] == "Service: Tuesday rounds"
        }

    before = clock.at
    assert sequences() == {(0, before)}
    clock.at += timedelta(hours=1)
    patch(quay, PATH, {"zone": "Atlantic/Azores"})
    assert sequences() == {(1, clock.at)}
    sky = icalendar.Calendar.from_ical(fetch(f"{FEED}?sky=sunset").content).walk("VEVENT")
    assert {one["dtstamp"].dt for one in sky if one["categories"].cats == ["sky"]} == {clock.at}


@pytest.mark.parametrize(
    ("where", "warned"),
    [
        ({"longitude_degrees": 9.14}, False),
        ({"longitude_degrees": 59.14}, True),
        ({"longitude_degrees": 175.0, "zone": "Pacific/Auckland"}, False),
        ({"longitude_degrees": -157.4, "zone": "Pacific/Kiritimati"}, False),  # across the line of the date
        ({"longitude_degrees": 76.0, "zone": "Asia/Shanghai"}, False),
        ({"zone": "America/Lima"}, True),
    ],
)
def test_a_zone_that_is_far_from_the_longitude_is_asked_about(quay: Caller, where: Any, warned: bool) -> None:
    kinds = ["zone-far-from-longitude"] if warned else []
    assert [one["kind"] for one in patch(quay, PATH, where, "?preview=true").json()["warnings"]] == kinds
    assert patch(quay, PATH, where).status_code == (409 if warned else 200)
    new = VENUE | {"id": "new"} | where
    shown = quay.post("venues?preview=true", new).json()
    assert ([one["kind"] for one in shown["warnings"]], len(shown["in_words"])) == (kinds, 1)
    assert {"field": "name", "before": None, "after": "Quay House"} in shown["fields"]
    assert quay.get("venues/new").status_code == 404
    assert quay.post("venues", new).status_code == 201  # adding one asks for nothing, as before


def test_nobody_is_shown_how_a_venue_would_be_added_whose_id_is_in_use(quay: Caller) -> None:
    refused = problem(quay.post("venues?preview=true", VENUE | {"name": "Another"}), 409)
    assert (refused["type"], refused["field"]) == ("/api/v1/problems/taken", "id")


def test_a_run_by_the_hours_of_the_place_holds_it(quay: Caller) -> None:
    on_a_run(quay, cycle="temporal-hours", strips_per_turn=0, policy={"kind": "skip"})
    assert problem(patch(quay, PATH, EAST), 422)["problem"].startswith("run spring goes by the temporal hours")
    assert patch(quay, PATH, {"name": "The Quay"}).status_code == 200


def test_the_moon_is_seen_from_the_new_place(quay: Caller) -> None:
    on_a_run(quay, source={"picture": {"kind": "moon", "diameter_mm": 30.0}})
    assert [one["kind"] for one in problem(patch(quay, PATH, EAST), 409)["warnings"]] == ["drawn-otherwise"]


def test_no_machine_may_stand_where_a_venue_is_retired(quay: Caller) -> None:
    on_a_run(quay)
    assert problem(act(quay, PATH, "retire"), 422)["problem"] == "Wren 1 (wren-1) stands there"


def test_retired_it_is_shown_and_offered_nowhere(quay: Caller) -> None:
    quay.create("venues", FAR_VENUE)
    pages = ("/venues/quay/today", "/venues/quay/service-windows")
    assert [one["kind"] for one in problem(act(quay, PATH, "retire"), 409)["warnings"]] == ["still-to-come"] * 2
    assert [Client().get(page).status_code for page in pages] == [200, 200]
    assert act(quay, PATH, "retire", query="?accept=true").json()["retired_at"] == "2026-03-20T06:00:00.000000Z"
    assert "Quay House" not in Client().get("/").content.decode()
    assert [Client().get(page).status_code for page in pages] == [404, 404]
    for resource, body in (("openings", OPENING), ("service-windows", SERVICE_WINDOW)):
        assert problem(quay.post(resource, body | {"id": "more"}), 422)["problem"] == "Quay House was retired"
    quay.create("profiles", PROFILE)
    assert problem(quay.post("machines", MACHINE), 422)["field"] == "venue"
    act(quay, PATH, "take-back")
    assert quay.create("machines", MACHINE)


def test_what_is_fixed_in_this_moment_is_not_left_at_the_place_before(
    quay: Caller, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Somebody fixes an opening after the change was worked out, and before it is written."""
    make, begun = changes.make, []

    def overtaken(*given: Any, **named: Any) -> None:
        if not begun:
            begun.append(quay.post("openings", DUSK | {"id": "late"}).status_code)
        make(*given, **named)

    monkeypatch.setattr(changes, "make", overtaken)
    events = Event.objects.count()
    refused = problem(patch(quay, PATH, EAST), 422)
    assert (begun, refused["problem"]) == ([201], "what is to come at Quay House was changed in this moment")
    assert Event.objects.count() == events + 1
    assert patch(quay, PATH, EAST).status_code == 200


def test_what_was_worked_out_for_the_place_before_is_not_written(quay: Caller, monkeypatch: pytest.MonkeyPatch) -> None:
    """Somebody puts the venue right after an order was checked, and before it is written."""
    checked, begun = base_views.carry_out, []

    def overtaken(*given: Any) -> None:
        if not begun:
            begun.append(patch(quay, PATH, EAST).status_code)
        checked(*given)

    monkeypatch.setattr(base_views, "carry_out", overtaken)
    refused = problem(quay.post("openings", DUSK | {"id": "late"}), 422)
    assert (begun, refused["field"], refused["problem"]) == ([200], "venue", "quay was changed in this moment")
    assert quay.post("openings", DUSK | {"id": "late"}).status_code == 201
