"""Openings that are moved, named otherwise, called off and taken back, at the API and in the calendar."""

from __future__ import annotations

import json
from datetime import UTC, datetime, timedelta
from typing import Any

import icalendar
import pytest
import vobject
from django.http import HttpResponse
from django.test import Client
from ical.calendar_stream import IcsCalendarStream

from scheduling.log.models import Event, Opening, Remark
from scheduling.log.rebuilding.rebuild import rebuild
from server.accounts.principals import Grant
from tests.server.api.test_bad_input import problem
from tests.server.api.test_calendar import NO_SKY, fetch
from tests.server.keys import new_key
from tests.server.studio import FAR_VENUE, MACHINE, OPENING, PROFILE, RUN, SOURCE, VENUE, Caller, HeldClock

PATH = "openings/first-night"
LATER = {"anchor": {"civil": "2026-03-21T20:30", "zone": "Europe/Lisbon"}}


@pytest.fixture
def quay(studio: Caller) -> Caller:
    studio.create("venues", VENUE)
    studio.create("openings", OPENING)
    return studio


def patch(caller: Caller, body: Any, query: str = "", **headers: str) -> HttpResponse:
    match = {"HTTP_IF_MATCH": caller.get(PATH).headers["ETag"]} | headers
    return caller.other("PATCH", PATH + query, data=json.dumps(body), content_type="application/json", **match)


def act(caller: Caller, name: str, body: Any = None, query: str = "", **headers: str) -> HttpResponse:
    match = {"HTTP_IF_MATCH": caller.get(PATH).headers["ETag"]} | headers
    return caller.post(f"{PATH}/{name}{query}", body or {}, **match)


def entry() -> Any:
    (found,) = icalendar.Calendar.from_ical(fetch(NO_SKY).content).walk("VEVENT")
    return found


def steps(caller: Caller) -> Any:
    return caller.get(f"{PATH}/history").json()["steps"]


# Moving and naming.


def test_an_opening_moves_and_keeps_its_id(quay: Caller) -> None:
    answer = patch(quay, LATER | {"reason": "the ferry"})
    assert answer.status_code == 200, answer.content
    assert answer.json()["opens_at"] == "2026-03-21T20:30:00.000000Z"
    assert answer.json()["name"] == "First night"
    assert answer.headers["ETag"] == quay.get(PATH).headers["ETag"]
    assert [one["id"] for one in quay.get("openings").json()["results"]] == ["first-night"]


def test_it_is_named_otherwise_under_the_name_of_rfc_7396(quay: Caller) -> None:
    body = json.dumps({"name": "Opening night"})
    match = {"HTTP_IF_MATCH": quay.get(PATH).headers["ETag"]}
    answer = quay.other("PATCH", PATH, data=body, content_type="application/merge-patch+json", **match)
    assert answer.json()["name"] == "Opening night"


def test_it_has_an_end_and_loses_it_again(quay: Caller) -> None:
    closing = {"closing": {"civil": "2026-03-21T22:00", "zone": "Europe/Lisbon"}}
    assert patch(quay, closing).json()["closes_at"] == "2026-03-21T22:00:00.000000Z"
    assert entry()["dtend"].dt == datetime(2026, 3, 21, 22, tzinfo=UTC)
    assert patch(quay, {"closing": None}).json()["closes_at"] is None
    assert "dtend" not in entry()


@pytest.mark.parametrize("closing", ["2026-03-21T19:00", "2026-03-21T18:00", "2027-03-23T19:00"])
def test_it_ends_after_it_begins_and_within_a_year(quay: Caller, closing: str) -> None:
    answer = patch(quay, {"closing": {"civil": closing, "zone": "Europe/Lisbon"}})
    assert problem(answer, 422)["field"] == "closing"


@pytest.mark.parametrize(
    ("body", "field"),
    [
        ({"name": ""}, "name"),
        ({"anchor": {"civil": "2026-03-29T01:30"}}, "anchor.civil"),  # Lisbon's clocks leave that hour out
        ({"anchor": {"zone": "Europe/Nowhere"}}, "anchor.zone"),
        ({"id": "other"}, "id"),
        ({"venue": "shed"}, "venue"),
        ({"opens_at": "2026-03-21T20:30:00Z"}, "opens_at"),
        ({"reason": 3}, "reason"),
        ({"reason": "x" * 501}, "reason"),
        ([], ""),
        ("First night", ""),
    ],
)
def test_what_cannot_be_is_refused_and_nothing_is_written(quay: Caller, body: Any, field: str) -> None:
    before, events = quay.get(PATH).content, Event.objects.count()
    assert problem(patch(quay, body), 422)["field"] == field
    assert (quay.get(PATH).content, Event.objects.count()) == (before, events)


def test_what_never_changes_may_be_said_as_it_is(quay: Caller) -> None:
    whole = {name: quay.get(PATH).json()[name] for name in ("id", "venue", "name", "anchor")}
    assert patch(quay, whole).status_code == 200
    assert len(steps(quay)) == 1


# What it would do.


def test_a_preview_does_nothing_and_says_all(quay: Caller) -> None:
    quay.create("profiles", PROFILE)
    quay.create("machines", MACHINE)
    quay.create("sources", SOURCE)
    quay.create("runs", RUN)
    events = Event.objects.count()
    shown = patch(quay, LATER, "?preview=true").json()
    assert Event.objects.count() == events
    assert {one["field"] for one in shown["fields"]} == {"anchor", "opens_at"}
    assert shown["in_words"] == [
        "First night moves to 2026-03-21 20:30, instead of 2026-03-21 19:00, by the clock of Europe/Lisbon.",
        "Subscribed calendars show the same entry as its revision 1, once they look again.",
        "Wren 1 is on run spring then.",
    ]
    assert shown["warnings"] == []


def test_a_preview_of_what_is_so_already_is_empty(quay: Caller) -> None:
    assert patch(quay, {"name": "First night"}, "?preview=true").json() == {
        "fields": [],
        "in_words": [],
        "warnings": [],
        "figures": None,
    }


def test_what_should_be_meant_needs_a_yes(quay: Caller, clock: HeldClock) -> None:
    quay.put("venues/quay/hours", {"week": {"saturday": [{"opens": "10:00", "closes": "20:00"}]}})
    refused = problem(patch(quay, LATER), 409)
    assert refused["type"] == "/api/v1/problems/needs-a-yes"
    assert [one["kind"] for one in refused["warnings"]] == ["closed"]
    assert patch(quay, LATER, "?accept=true").json()["opens_at"] == "2026-03-21T20:30:00.000000Z"
    clock.at = datetime(2026, 3, 22, tzinfo=UTC)
    assert [one["kind"] for one in problem(act(quay, "call-off"), 409)["warnings"]] == ["has-been"]
    for text in ("Perhaps", "", "has-been,", "has been", "1", "has-been,,closed"):
        assert problem(patch(quay, {}, f"?accept={text}"), 422)["field"] == "accept"


def test_who_has_looked_means_what_he_saw_and_not_what_came_up_since(quay: Caller, clock: HeldClock) -> None:
    quay.put("venues/quay/hours", {"week": {"saturday": [{"opens": "10:00", "closes": "20:00"}]}})
    seen = [one["kind"] for one in patch(quay, LATER, "?preview=true").json()["warnings"]]
    assert seen == ["closed"]
    clock.at = datetime(2026, 3, 21, 19, 30, tzinfo=UTC)  # meanwhile it has opened
    refused = problem(patch(quay, LATER, f"?accept={','.join(seen)}"), 409)
    assert [one["kind"] for one in refused["warnings"]] == ["has-been", "closed"]
    assert len(steps(quay)) == 1
    both = ",".join(one["kind"] for one in refused["warnings"])
    assert patch(quay, LATER, f"?accept={both},of-no-kind").status_code == 200
    assert len(steps(quay)) == 2


def test_moved_into_the_past_is_told(quay: Caller) -> None:
    past = {"anchor": {"civil": "2016-03-21T20:30", "zone": "Europe/Lisbon"}}
    assert [one["kind"] for one in problem(patch(quay, past), 409)["warnings"]] == ["in-the-past"]


# Conditions, and the same again.


def test_a_change_names_what_it_is_about(quay: Caller) -> None:
    bare = quay.other("PATCH", PATH, data=json.dumps(LATER), content_type="application/json")
    assert problem(bare, 428)["type"] == "/api/v1/problems/if-match-needed"
    assert problem(quay.post(f"{PATH}/call-off", {}), 428)["type"] == "/api/v1/problems/if-match-needed"


def test_who_comes_late_is_told_what_changed(quay: Caller) -> None:
    seen = quay.get(PATH).headers["ETag"]
    patch(quay, LATER | {"reason": "the ferry"})
    patch(quay, {"name": "Late night"})
    told = problem(patch(quay, {"name": "Early night"}, HTTP_IF_MATCH=seen), 412)
    assert [[one["field"] for one in step["fields"]] for step in told["changes"]] == [["anchor", "opens_at"], ["name"]]
    assert told["changes"][0]["reason"] == "the ferry"
    assert "changes" not in problem(patch(quay, {"name": "Early night"}, HTTP_IF_MATCH='"never"'), 412)


def test_what_was_fetched_is_not_sent_again(quay: Caller) -> None:
    tag = quay.get(PATH).headers["ETag"]
    assert quay.get(PATH, HTTP_IF_NONE_MATCH=tag).status_code == 304
    patch(quay, LATER)
    assert quay.get(PATH, HTTP_IF_NONE_MATCH=tag).status_code == 200


def test_an_order_whose_answer_was_lost_is_done_once(quay: Caller) -> None:
    tag = quay.get(PATH).headers["ETag"]
    known = {"HTTP_IF_MATCH": tag, "HTTP_IDEMPOTENCY_KEY": "from-my-phone-1"}
    first = patch(quay, LATER, **known)
    patch(quay, {"name": "Late night"})
    again = patch(quay, LATER, **known)
    assert problem(patch(quay, LATER | {"reason": "the ferry"}, **known), 422)["type"] == "/api/v1/problems/key-used"
    assert (first.status_code, again.status_code) == (200, 200)
    assert again.json()["name"] == "Late night"
    assert len(steps(quay)) == 3
    other = problem(patch(quay, {"name": "Other"}, **known), 422)
    assert other["type"] == "/api/v1/problems/key-used"
    assert problem(patch(quay, {}, HTTP_IDEMPOTENCY_KEY="x" * 101), 422)["field"] == "Idempotency-Key"


# Called off, and taken back.


def test_called_off_it_stays_marked_and_subscribers_learn_of_it(quay: Caller) -> None:
    uid = entry()["uid"]
    answer = act(quay, "call-off", {"reason": "the roof"})
    assert answer.json()["called_off_at"] == "2026-03-20T06:00:00.000000Z"
    assert answer.json()["called_off_because"] == "the roof"
    cancelled = entry()
    assert (cancelled["uid"], cancelled["sequence"], str(cancelled["status"])) == (uid, 1, "CANCELLED")
    assert str(cancelled["summary"]) == "Called off: First night"


def test_called_off_twice_is_called_off_once(quay: Caller) -> None:
    act(quay, "call-off")
    assert act(quay, "call-off").status_code == 200
    assert len(steps(quay)) == 2


def test_called_off_it_is_not_moved_but_taken_back_first(quay: Caller) -> None:
    act(quay, "call-off")
    assert problem(patch(quay, LATER), 422)["remedy"] == "take that back first"
    assert act(quay, "take-back").json()["called_off_at"] is None
    assert act(quay, "take-back").status_code == 200
    stands = entry()
    assert (stands["sequence"], "status" in stands) == (2, False)
    assert patch(quay, LATER).status_code == 200


def test_an_opening_that_was_called_off_is_no_reason_against_a_day(quay: Caller) -> None:
    """The console lists it no more, and no change of parts is told to be on its day."""
    assert "First night" in Client().get("/").content.decode()
    act(quay, "call-off")
    assert "First night" not in Client().get("/").content.decode()


# Its history.


def test_its_history_tells_who_when_what_and_why(quay: Caller, clock: HeldClock) -> None:
    clock.at += timedelta(hours=1)
    patch(quay, LATER | {"reason": "the ferry"})
    clock.at += timedelta(hours=1)
    act(quay, "call-off", {"reason": "the roof"})
    fixed, moved, off = steps(quay)
    assert (fixed["version"], fixed["kind"], fixed["reason"]) == (1, "opening-fixed", None)
    assert moved["said_at"] == "2026-03-20T07:00:00.000000Z"
    assert moved["actor"] == fixed["actor"] != ""
    assert moved["reason"] == "the ferry"
    assert {"field": "opens_at", "before": "2026-03-21T19:00:00.000000Z", "after": "2026-03-21T20:30:00.000000Z"} in (
        moved["fields"]
    )
    (called,) = off["fields"]
    assert (called["field"], called["before"]) == ("called_off_at", None)


def test_a_reason_that_was_blotted_out_is_told_no_more(quay: Caller) -> None:
    patch(quay, LATER | {"reason": "the ferry"})
    Remark.objects.all().delete()
    assert steps(quay)[1]["reason"] is None


def test_the_past_stays_what_it_was(quay: Caller, clock: HeldClock) -> None:
    clock.at += timedelta(hours=1)
    patch(quay, LATER)
    then = quay.get(f"{PATH}?at=2026-03-20T06:30:00Z").json()
    assert then["opens_at"] == "2026-03-21T19:00:00.000000Z"
    assert "ETag" not in quay.get(f"{PATH}?at=2026-03-20T06:30:00Z").headers


def test_of_what_there_is_not_there_is_no_history(quay: Caller) -> None:
    assert quay.get("openings/none/history").status_code == 404


def test_folded_again_it_is_the_same(quay: Caller) -> None:
    patch(quay, LATER)
    act(quay, "call-off", {"reason": "the roof"})
    before = list(Opening.objects.values())
    rebuild()
    assert list(Opening.objects.values()) == before


# Who may.


def test_a_curator_changes_what_is_at_his_venues(quay: Caller) -> None:
    quay.create("venues", FAR_VENUE)
    assert patch(Caller(new_key("hers", Grant("curator", ("quay",)))), LATER).status_code == 200
    elsewhere = Caller(new_key("his", Grant("curator", ("shed",))))
    assert problem(patch(elsewhere, LATER), 403)["type"] == "/api/v1/problems/role-needed"
    assert act(elsewhere, "call-off").status_code == 403
    assert act(Caller(new_key("theirs", Grant("reader"))), "call-off").status_code == 403


# As calendar programs read it: by two libraries that did not write it.


def test_other_readers_of_calendars_follow_a_move_and_a_cancellation(quay: Caller) -> None:
    def read() -> tuple[tuple[Any, ...], tuple[Any, ...]]:
        text = fetch(NO_SKY).content.decode()
        one: Any = vobject.readOne(text).vevent
        (other,) = IcsCalendarStream.calendar_from_ics(text).events
        status = one.status.value if hasattr(one, "status") else None
        return (
            (one.uid.value, one.dtstart.value, int(one.sequence.value), status),
            (other.uid, other.dtstart, other.sequence, None if other.status is None else other.status.value),
        )

    uid = str(entry()["uid"])
    at = datetime(2026, 3, 21, 19, tzinfo=UTC)
    assert read() == ((uid, at, 0, None), (uid, at, 0, None))
    patch(quay, LATER)
    later = datetime(2026, 3, 21, 20, 30, tzinfo=UTC)
    assert read() == ((uid, later, 1, None), (uid, later, 1, None))
    act(quay, "call-off")
    assert read() == ((uid, later, 2, "CANCELLED"), (uid, later, 2, "CANCELLED"))
