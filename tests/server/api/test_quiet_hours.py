"""Hours and quiet hours of a venue, changed as everything else is: looked at first, with what changes and what fits no
more, and never over what somebody else said meanwhile."""

from __future__ import annotations

from typing import Any

import pytest

from machines.serialization import unstructure
from scheduling.log.models import Event, Venue
from scheduling.log.remarks import text_of
from scheduling.planning.days_spans import DAYS
from tests.server.api.test_bad_input import problem
from tests.server.api.test_changed_resources import patch
from tests.server.studio import MACHINE, OPENING, PROFILE, RUN, SOURCE, VENUE, Caller, HeldClock

NIGHT = [{"begins": "22:00", "ends": "07:00"}]
QUIET: dict[str, Any] = {"week": dict.fromkeys(DAYS, NIGHT), "dates": [{"date": "2026-12-31", "quiet": []}]}
OPEN: dict[str, Any] = {"week": {day: [{"opens": "10:00", "closes": "17:00"}] for day in DAYS}}
LONGER: dict[str, Any] = {"week": OPEN["week"] | {"monday": [{"opens": "10:00", "closes": "18:00"}]}}
ANY = {"HTTP_IF_MATCH": "*"}


@pytest.fixture
def quay(studio: Caller) -> Caller:
    studio.create("venues", VENUE)
    return studio


def test_they_are_set_shown_and_kept_in_the_log_with_the_reason(quay: Caller) -> None:
    assert quay.get("venues/quay").json()["quiet"] is None
    response = quay.put("venues/quay/quiet-hours", QUIET | {"reason": "somebody sleeps above"})
    assert response.status_code == 200, response.content
    shown = response.json()
    assert shown == quay.get("venues/quay").json()
    assert shown["quiet"]["week"]["monday"] == NIGHT
    assert shown["quiet"]["dates"] == QUIET["dates"]
    assert quay.get("venues/quay/quiet-hours").json() == shown["quiet"]
    assert response["ETag"] == quay.get("venues/quay/quiet-hours")["ETag"]
    event = Event.objects.get(kind="quiet-hours-set")
    assert (event.stream, event.version) == ("venue/quay", 2)
    assert text_of(event.data["remark"]) == "somebody sleeps above"
    (_, step) = quay.get("venues/quay/history").json()["steps"]
    assert step["reason"] == "somebody sleeps above"
    assert [one["field"] for one in step["fields"]] == ["quiet"]


def test_they_stand_as_they_were_before_and_after(quay: Caller, clock: HeldClock) -> None:
    quay.put("venues/quay/quiet-hours", QUIET)
    was = clock.at.isoformat().replace("+00:00", "Z")
    clock.at = clock.at.replace(year=clock.at.year + 1)
    quay.put("venues/quay/quiet-hours", {"week": {}})
    assert quay.get(f"venues/quay/quiet-hours?at={was}").json()["week"]["monday"] == NIGHT
    assert quay.get("venues/quay/quiet-hours").json()["week"]["monday"] == []
    assert quay.get("venues/quay/quiet-hours?at=2001-01-01T00:00:00Z").status_code == 404


@pytest.mark.parametrize("part", ["hours", "quiet-hours"])
def test_nothing_is_replaced_that_was_not_seen(quay: Caller, part: str) -> None:
    body = {"week": {}}
    assert quay.put(f"venues/quay/{part}", body, HTTP_IF_MATCH="").status_code == 428
    told = problem(quay.put(f"venues/quay/{part}", body, HTTP_IF_MATCH='"0"'), 412)
    assert told["type"] == "/api/v1/problems/moved-on"
    tag = quay.get(f"venues/quay/{part}")["ETag"]
    assert quay.put(f"venues/quay/{part}", body, HTTP_IF_MATCH=tag).status_code == 200
    told = problem(quay.put(f"venues/quay/{part}", body, HTTP_IF_MATCH=tag), 412)
    assert [one["version"] for one in told["changes"]] == [2], "what was changed since that was seen"


def test_the_same_order_with_its_key_is_done_once(quay: Caller) -> None:
    headers = {"HTTP_IF_MATCH": quay.get("venues/quay/hours")["ETag"], "HTTP_IDEMPOTENCY_KEY": "one"}
    for _ in range(2):
        assert quay.put("venues/quay/hours", OPEN, **headers).status_code == 200
    assert Event.objects.filter(kind="hours-set").count() == 1


def test_what_changes_is_told_day_by_day_and_nothing_is_written(quay: Caller) -> None:
    quay.put("venues/quay/hours", OPEN | {"dates": [{"date": "2026-12-24", "open": []}]})
    before = Event.objects.count()
    response = quay.put("venues/quay/hours?preview=true", LONGER)
    assert response.status_code == 200, response.content
    assert response.json()["in_words"] == [
        "From 2026-03-23 on it is open 10:00 to 18:00 on Mondays, instead of open 10:00 to 17:00.",
        "On 2026-12-24 it is open 10:00 to 17:00, instead of closed.",
        "Subscribed calendars show the dates that differ as they are then, once they look again.",
    ]
    assert [one["field"] for one in response.json()["fields"]] == ["hours"]
    assert Event.objects.count() == before


def test_an_opening_that_would_find_the_doors_closed_needs_a_yes(quay: Caller, clock: HeldClock) -> None:
    quay.put("venues/quay/hours", {"week": {day: [{"opens": "00:00", "closes": "24:00"}] for day in DAYS}})
    quay.create("openings", OPENING)
    told = problem(quay.put("venues/quay/hours", {"week": {}}), 409)
    assert [one["kind"] for one in told["warnings"]] == ["opening-while-closed"]
    assert Event.objects.filter(kind="hours-set").count() == 1
    assert quay.put("venues/quay/hours?accept=true", {"week": {}}).status_code == 200


def test_quiet_hours_are_warned_of_with_what_they_mean_for_paper_and_nozzles(quay: Caller) -> None:
    head: dict[str, Any] = {"kind": "carriage", "nozzles": 12, "passes": 2, "drop_pl": 10.0}
    head["idle_firing"] = {"drops": 50, "every_s": 600.0}
    quay.create("profiles", PROFILE | {"profile": PROFILE["profile"] | {"head": head}})
    quay.create("machines", MACHINE)
    quay.create("sources", SOURCE)
    quay.create("runs", RUN | {"strips_per_turn": 24})
    preview = quay.put("venues/quay/quiet-hours?preview=true", QUIET).json()
    warned = {one["kind"]: one["in_words"] for one in preview["warnings"]}
    assert "strips hang together" in warned["uncut-in-quiet"]
    assert "up to 9 h long" in warned["idle-in-quiet"] and "may dry" in warned["idle-in-quiet"]
    assert quay.put("venues/quay/quiet-hours", QUIET).status_code == 409
    assert quay.put("venues/quay/quiet-hours?accept=true", QUIET).status_code == 200
    check = quay.post("run-checks", RUN | {"id": "next", "machine": "wren-1", "strips_per_turn": 24} | LATER).json()
    assert {"uncut-in-quiet", "idle-in-quiet"} <= {one["kind"] for one in check["warnings"]}
    assert quay.put("venues/quay/quiet-hours", {"week": {}}).status_code == 200, "less asks for no yes"


LATER = {"starts_at": "2026-03-26T12:00:00.000000Z", "ends_at": "2026-03-27T12:00:00.000000Z"}


@pytest.mark.parametrize(
    ("body", "field"),
    [
        ({"week": {"monday": [{"opens": "22:00", "closes": "07:00"}]}}, "week.monday[0].begins"),
        ({"week": {"monday": [{"begins": "22:00", "ends": "22:00"}]}}, "week.monday[0].ends"),
        ({"week": {"monday": NIGHT, "tuesday": [{"begins": "06:00", "ends": "08:00"}]}}, "week.tuesday[0]"),
        ({"week": {}, "dates": [{"date": "2026-12-24"}, {"date": "2026-12-24"}]}, "dates[1].date"),
        ({"week": {}, "reason": 7}, "reason"),
    ],
)
def test_what_cannot_be_is_refused_by_name(quay: Caller, body: Any, field: str) -> None:
    assert problem(quay.put("venues/quay/quiet-hours", body), 422)["field"] == field
    assert Venue.objects.get().quiet is None


def test_a_retired_venue_keeps_its_hours(quay: Caller) -> None:
    assert quay.post("venues/quay/retire", {}, **ANY).status_code == 200
    assert problem(quay.put("venues/quay/hours", OPEN), 422)["field"] == "retired_at"


def test_strips_are_counted_by_the_version_that_the_run_was_planned_with(furnished: Caller) -> None:
    """They come to the knife at four minutes to ten; in bursts of a quarter turn they would at noon and at six."""
    quiet = {"week": {day: [{"begins": "21:30", "ends": "22:30"}] for day in DAYS}}
    shown = furnished.put("venues/quay/quiet-hours?preview=true", quiet).json()["warnings"]
    assert "uncut-in-quiet" in [one["kind"] for one in shown]
    assert patch(furnished, "profiles/wren", {"profile": {"columns_per_burst": 90}}).status_code == 200
    assert furnished.put("venues/quay/quiet-hours?preview=true", quiet).json()["warnings"] == shown


def test_a_blade_of_a_longer_run_is_counted_by_that_version_too(furnished: Caller) -> None:
    """Of 1,040 ends of strips a quarter is not cut, so that the blade of 1,000 cuts lasts; in bursts of a quarter turn
    all would be."""
    quiet = {"week": {day: [{"begins": "21:30", "ends": "22:30"}] for day in DAYS}}
    assert furnished.put("venues/quay/quiet-hours?accept=true", quiet).status_code == 200
    longer = {"ends_at": "2026-12-05T12:00:00Z"}
    shown = patch(furnished, "runs/spring", longer, "?preview=true").json()["warnings"]
    assert patch(furnished, "profiles/wren", {"profile": {"columns_per_burst": 90}}).status_code == 200
    assert patch(furnished, "runs/spring", longer, "?preview=true").json()["warnings"] == shown


def test_hours_stay_when_quiet_hours_are_set(quay: Caller) -> None:
    quay.put("venues/quay/hours", OPEN)
    quay.put("venues/quay/quiet-hours", QUIET)
    venue = Venue.objects.get()
    assert unstructure(venue.hours)["week"]["monday"] == OPEN["week"]["monday"]
