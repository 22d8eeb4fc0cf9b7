"""Runs that people hold and let go on: what is answered, refused and foreseen, and what a board is told."""

from __future__ import annotations

from datetime import UTC, datetime, timedelta
from typing import Any

import pytest
from django.http import HttpResponse
from django.test import Client

from machines.protocol.recesses import Recess
from scheduling.log.models import Event, Machine, Run
from scheduling.log.rebuilding.rebuild import rebuild
from scheduling.outages.machine_state import machine_state
from scheduling.paper.printing_now import printing_now
from scheduling.queries.machine_context import machine_context
from server.accounts.principals import Grant
from tests.server.api.test_bad_input import problem
from tests.server.api.test_ended_runs import act
from tests.server.api.test_withdrawn_runs import PATH, entries, tell, withdrawn, work
from tests.server.keys import new_key
from tests.server.studio import RUN, Caller, HeldClock

VIEW = {"at": "2026-03-21T18:00:00Z", "until": "2026-03-21T21:00:00Z"}
SHOWN = {"starts_at": "2026-03-21T18:00:00.000000Z", "ends_at": "2026-03-21T21:00:00.000000Z"}


def hold(caller: Caller, body: Any, query: str = "") -> HttpResponse:
    return act(caller, "hold", body, query=query)


def let_go_on(caller: Caller, body: Any, query: str = "") -> HttpResponse:
    return act(caller, "continue", body, query=query)


def spans(row: Any) -> list[tuple[str, str | None]]:
    return [(one["starts_at"], one["ends_at"]) for one in row.json()["holds"]]


def test_a_private_view_is_one_hold_that_ends_by_itself_and_its_board_is_told(furnished: Caller, node: Caller) -> None:
    row = hold(furnished, VIEW | {"reason": "a private view"}).json()
    assert [{**one, "by": ""} for one in row["holds"]] == [SHOWN | {"by": ""}]
    assert row["holds"][0]["by"]
    run = work(node).run
    assert run is not None
    assert run.revision == 2
    assert run.recesses == (
        Recess(starts_at=datetime(2026, 3, 21, 18, tzinfo=UTC), ends_at=datetime(2026, 3, 21, 21, tzinfo=UTC)),
    )
    *_, step = furnished.get(f"{PATH}/history").json()["steps"]
    assert (step["kind"], step["reason"]) == ("run-held", "a private view")
    assert [(one["field"], one["after"]) for one in step["fields"]] == [("holds", [SHOWN])]


def test_a_preview_says_what_would_follow(furnished: Caller) -> None:
    events = Event.objects.count()
    shown = hold(furnished, VIEW, "?preview=true").json()
    assert Event.objects.count() == events
    assert shown["in_words"] == [
        "Wren 1 prints nothing of run spring from 2026-03-21 18:00 until 2026-03-21 21:00, by the clock of"
        " Europe/Lisbon.",
        "45 columns are due in that time, 0.015 m of paper.",
        "What the sky passes meanwhile is left out.",
        "At First night, on 2026-03-21 19:00, nothing is printed.",
        "Subscribed calendars show it, once they look again.",
        "Held is not safe to reach in: it goes on by itself. Whoever works at it pauses or parks it there first.",
        "Wren 1 was never heard, and holds none of it.",
    ]


def test_a_repair_lasts_until_people_let_it_go_on(furnished: Caller, clock: HeldClock) -> None:
    clock.at = datetime(2026, 3, 21, 9, tzinfo=UTC)
    assert spans(hold(furnished, {})) == [("2026-03-21T09:00:00.000000Z", None)]
    clock.at += timedelta(hours=2)
    assert spans(let_go_on(furnished, {})) == [("2026-03-21T09:00:00.000000Z", "2026-03-21T11:00:00.000000Z")]
    events = Event.objects.count()
    assert let_go_on(furnished, {}).status_code == 200  # it goes on already
    assert Event.objects.count() == events


def test_it_goes_on_at_an_instant_that_is_said_before(furnished: Caller, clock: HeldClock) -> None:
    clock.at = datetime(2026, 3, 21, 9, tzinfo=UTC)
    hold(furnished, {})
    row = let_go_on(furnished, {"at": "2026-03-21T12:00:00Z"})
    assert spans(row) == [("2026-03-21T09:00:00.000000Z", "2026-03-21T12:00:00.000000Z")]
    assert spans(let_go_on(furnished, {"at": "2026-03-21T11:00:00Z"}))[0][1] == "2026-03-21T11:00:00.000000Z"
    assert problem(let_go_on(furnished, {"at": "2026-03-21T13:00:00Z"}), 422)["field"] == "at"


def test_a_hold_that_has_not_begun_is_taken_back(furnished: Caller) -> None:
    hold(furnished, VIEW)
    row = let_go_on(furnished, {}).json()
    assert (row["holds"], row["revision"]) == ([], 3)


def test_of_several_it_is_about_the_one_that_holds_then_or_the_next(furnished: Caller) -> None:
    hold(furnished, VIEW)
    hold(furnished, {"at": "2026-03-22T08:00:00Z", "until": "2026-03-22T10:00:00Z"})
    row = let_go_on(furnished, {"at": "2026-03-22T09:00:00Z"})
    assert [end for _, end in spans(row)] == ["2026-03-21T21:00:00.000000Z", "2026-03-22T09:00:00.000000Z"]
    assert [start for start, _ in spans(let_go_on(furnished, {}))] == ["2026-03-22T08:00:00.000000Z"]


def test_between_two_it_is_about_the_next(furnished: Caller) -> None:
    hold(furnished, VIEW)
    hold(furnished, {"at": "2026-03-22T08:00:00Z", "until": "2026-03-22T10:00:00Z"})
    assert spans(let_go_on(furnished, {"at": "2026-03-22T03:00:00Z"})) == [tuple(SHOWN.values())]


def test_one_that_ends_after_all_that_is_known_of_the_sky_is_counted_to_the_end_of_the_run(furnished: Caller) -> None:
    assert hold(furnished, {"until": "2060-01-01T00:00:00Z"}).status_code == 200
    assert furnished.get("machines/wren-1/forecast").status_code == 200
    assert furnished.get("venues/quay/calendar.ics").status_code == 200


def test_one_that_is_made_longer_is_told_as_a_whole(furnished: Caller) -> None:
    hold(furnished, VIEW)
    longer = {"at": "2026-03-21T20:00:00Z", "until": "2026-03-21T22:00:00Z"}
    said = hold(furnished, longer, "?preview=true").json()["in_words"]
    assert "from 2026-03-21 18:00 until 2026-03-21 22:00" in said[0]


@pytest.mark.parametrize(
    ("other", "together"),
    [
        ({"at": "2026-03-21T20:00:00Z", "until": "2026-03-21T22:00:00Z"}, ("18:00", "22:00")),
        ({"at": "2026-03-21T17:00:00Z", "until": "2026-03-21T18:00:00Z"}, ("17:00", "21:00")),
        ({"at": "2026-03-21T19:00:00Z", "until": "2026-03-21T20:00:00Z"}, ("18:00", "21:00")),
        ({"at": "2026-03-21T20:00:00Z"}, ("18:00", None)),
    ],
)
def test_what_overlaps_becomes_one(furnished: Caller, other: Any, together: tuple[str, str | None]) -> None:
    hold(furnished, VIEW)
    ((start, end),) = spans(hold(furnished, other))
    assert (start[11:16], None if end is None else end[11:16]) == together


@pytest.mark.parametrize(("boundary", "columns"), [("strip", 90), ("turn", 360)])
def test_it_begins_at_the_first_boundary_from_then_on(furnished: Caller, boundary: str, columns: int) -> None:
    ((start, _),) = spans(hold(furnished, {"at": "2026-03-21T18:00:00Z", "boundary": boundary}))
    ended = act(furnished, "end", {"at": start, "boundary": "burst"}).json()["end_column"]
    assert ended % columns == 0
    assert datetime.fromisoformat(start) >= datetime(2026, 3, 21, 18, tzinfo=UTC)


@pytest.mark.parametrize(
    ("body", "field"),
    [
        ({"at": "2026-03-20T05:00:00Z"}, "at"),
        ({"at": "2026-04-20T11:00:00Z"}, "at"),  # after its end
        (VIEW | {"until": "2026-03-21T18:00:00Z"}, "until"),
        (VIEW | {"boundary": "year"}, "boundary"),
        ({"until": "noon"}, "until"),
        ({"until": "9999-12-31T23:59:59Z"}, "until"),
    ],
)
def test_what_cannot_be_is_refused(furnished: Caller, body: Any, field: str) -> None:
    assert problem(hold(furnished, body), 422)["field"] == field


def test_what_was_withdrawn_is_not_held(furnished: Caller) -> None:
    withdrawn(furnished)
    assert "withdrawn" in problem(hold(furnished, VIEW), 422)["detail"]
    assert "withdrawn" in problem(let_go_on(furnished, {}), 422)["detail"]


def test_it_is_ordered_under_a_condition_and_once(furnished: Caller) -> None:
    assert furnished.post(f"{PATH}/hold", VIEW).status_code == 428
    seen = furnished.get(PATH).headers["ETag"]
    once = {"HTTP_IF_MATCH": seen, "HTTP_IDEMPOTENCY_KEY": "a view"}
    first = furnished.post(f"{PATH}/hold", VIEW, **once)
    assert first.status_code == 200
    assert furnished.post(f"{PATH}/hold", VIEW, **once).json() == first.json()
    (change,) = problem(furnished.post(f"{PATH}/continue", {}, HTTP_IF_MATCH=seen), 412)["changes"]
    assert change["kind"] == "run-held"


def test_a_curator_holds_within_their_venues(furnished: Caller) -> None:
    for venues, status in ((("quay",), 200), (("shed",), 403)):
        curator = Caller(new_key(f"curator of {venues}", Grant("curator", venues)))
        assert hold(curator, VIEW, "?preview=true").status_code == status


def holding(node: Caller, revision: int | None) -> dict[str, Any]:
    """What a board says that has not begun, holds work for two days, and knows its run in that revision."""
    return {
        "at": "2026-03-20T06:00:00Z",
        "next_column": work(node).segments[0].first_column,
        "paper_position": 0,
        "clock_error_s": 0.1,
        "knife_armed": False,
        "held_until": "2026-03-22T12:00:00Z",
        "held_run": "spring",
        "held_revision": revision,
    }


def test_a_board_that_was_heard_and_may_print_on_is_warned_of(furnished: Caller, node: Caller) -> None:
    tell(node, status=holding(node, 1))
    refused = problem(hold(furnished, {}), 409)
    assert [one["kind"] for one in refused["warnings"]] == ["board-may-print"]
    assert hold(furnished, {}, "?accept=true").status_code == 200
    tell(node, status=holding(node, None))
    said = let_go_on(furnished, {}, "?preview=true").json()["in_words"]
    assert said[-1].startswith("Wren 1 was last heard")
    assert problem(hold(furnished, VIEW, "?preview=true"), 422)["field"] == "until"  # it is held until people say so
    let_go_on(furnished, {})
    said = hold(furnished, VIEW, "?preview=true").json()["in_words"]
    assert said[-1] == "The program of its board is older, and knows of no holds: it prints on. Pause it at Wren 1."


def test_of_a_board_that_knows_of_a_hold_a_later_one_is_not_warned_of(furnished: Caller, node: Caller) -> None:
    assert hold(furnished, {"until": "2026-03-20T09:00:00Z"}).status_code == 200
    tell(node, status=holding(node, 2))
    assert hold(furnished, VIEW).status_code == 200


def test_a_run_that_waits_for_it_is_named(furnished: Caller) -> None:
    then = {"id": "then", "starts_at": "2026-03-23T12:30:00Z", "ends_at": "2026-03-24T12:00:00Z"}
    furnished.create("runs", RUN | then)
    body = {"at": "2026-03-23T11:00:00Z", "until": "2026-03-23T13:00:00Z"}
    said = hold(furnished, body, "?preview=true").json()["in_words"]
    assert "Run then, which is to begin on 2026-03-23 12:30, waits until this one goes on." in said


def test_calendars_show_it_and_forget_it_when_it_is_taken_back(furnished: Caller) -> None:
    before = {str(one["uid"]) for one in entries()}
    hold(furnished, VIEW)
    (shown,) = [one for one in entries() if str(one["uid"]) not in before]
    assert str(shown["summary"]) == "Wren 1 is held"
    assert (shown["dtstart"].dt.hour, shown["dtend"].dt.hour) == (18, 21)
    let_go_on(furnished, {})
    assert {str(one["uid"]) for one in entries()} == before


def test_it_raises_no_alarm_while_it_is_held(furnished: Caller, node: Caller, clock: HeldClock, client: Client) -> None:
    held = work(node)
    hold(furnished, VIEW)
    clock.at = datetime(2026, 3, 21, 19, 30, tzinfo=UTC)
    at_view = next(
        one for one in held.segments if one.knots[0] <= datetime(2026, 3, 21, 18, tzinfo=UTC) < one.knots[-1]
    )
    tell(node, status=status_at(at_view.first_column))
    context = machine_context(Machine.objects.get(), clock.at)
    printing = printing_now(context)
    assert printing is not None
    assert printing.head is None
    state = machine_state(context, printing)
    assert (state.kind, state.is_printing, state.wants_look) == ("recess", False, False)
    for page in ("/", "/machines/wren-1/now", "/venues/quay/today"):
        shown = client.get(page).content.decode().replace("\u00a0", " ")
        assert "held by studio or curator until" in shown, page
        assert "it then prints on by itself" in shown, page
    clock.at = datetime(2026, 3, 21, 21, 0, 1, tzinfo=UTC)
    context = machine_context(Machine.objects.get(), clock.at)
    assert machine_state(context, printing_now(context)).kind != "recess"


def status_at(column: int) -> dict[str, Any]:
    return {
        "at": "2026-03-21T19:30:00Z",
        "next_column": column,
        "paper_position": 0,
        "clock_error_s": 0.1,
        "knife_armed": False,
        "held_until": "2026-03-22T12:00:00Z",
        "held_run": "spring",
        "held_revision": 2,
    }


def test_it_is_shown_as_it_was_and_views_fold_alike(furnished: Caller, clock: HeldClock) -> None:
    hold(furnished, VIEW)
    clock.at += timedelta(hours=1)
    let_go_on(furnished, {})
    then = furnished.get(f"{PATH}?at=2026-03-20T06:30:00Z").json()
    assert [one["ends_at"] for one in then["holds"]] == [SHOWN["ends_at"]]
    live = list(Run.objects.values())
    rebuild()
    assert list(Run.objects.values()) == live


@pytest.mark.parametrize(
    ("held", "ends", "is_said"),
    [
        (VIEW, "19", True),
        (VIEW | {"until": None}, "22", True),
        (VIEW, "22", False),  # it has gone on by then
        (VIEW, "12", False),  # it is over before it would be held
    ],
)
def test_a_run_that_is_held_may_be_ended_and_is_settled_once_it_goes_on(
    furnished: Caller, held: Any, ends: str, is_said: bool
) -> None:
    assert hold(furnished, held).status_code == 200
    body = {"at": f"2026-03-21T{ends}:00:00Z"}
    said = act(furnished, "end", body, query="?preview=true").json()["in_words"]
    assert any(one.startswith("It is held: what is missing up to its end is settled") for one in said) == is_said
    assert act(furnished, "end", body, query="?accept=true").json()["ends_at"][11:13] == ends


def test_a_run_that_follows_on_the_machine_is_held_as_the_one_before(furnished: Caller, node: Caller) -> None:
    hold(furnished, VIEW)
    body = {"id": "then", "at": "2026-03-21T19:00:00Z", "boundary": "burst"}
    said = act(furnished, "succeed", body, query="?preview=true").json()["in_words"]
    assert "It is held as run spring is." in said
    assert act(furnished, "succeed", body, query="?accept=true").status_code == 200
    ((start, end),) = spans(furnished.get("runs/then"))
    assert start[11:13] == "19"
    assert end == SHOWN["ends_at"]
    live = list(Run.objects.order_by("id").values())
    rebuild()
    assert list(Run.objects.order_by("id").values()) == live
