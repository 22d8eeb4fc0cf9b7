"""Machines that are moved between runs, put right before their first, retired, and taken back."""

from __future__ import annotations

from collections.abc import Callable
from datetime import UTC, datetime
from typing import Any

import pytest
from django.http import HttpResponse
from django.test import Client

from scheduling.log.events.server import NeverHeard
from scheduling.log.models import Notice
from scheduling.log.store import Append, Attribution, append
from server import jobs
from server.api import base_views, changes
from tests.server.api.test_bad_input import problem
from tests.server.api.test_changed_resources import act, patch, steps
from tests.server.studio import BEGINS, FAR_VENUE, MACHINE, PROFILE, RUN, Caller, HeldClock, changed

PATH = "machines/wren-1"
WIDE = changed(PROFILE, "profile.columns_per_turn", 720) | {"id": "wide"}


@pytest.fixture
def house(furnished: Caller) -> Caller:
    """A machine whose run is to come, and a second venue and profile."""
    furnished.create("venues", FAR_VENUE)
    furnished.create("profiles", WIDE)
    return furnished


def test_between_runs_it_moves_and_its_coming_run_with_it(house: Caller) -> None:
    moved = {"venue": "shed", "reason": "a guest performance"}
    (warned,) = problem(patch(house, PATH, moved), 409)["warnings"]
    assert (warned["kind"], warned["in_words"]) == (
        "run-moves-too",
        "Run spring is to come, on 2026-03-20 12:00, and is printed at the new venue.",
    )
    assert patch(house, PATH, moved, "?accept=true").json()["venue"] == "shed"
    assert steps(house, PATH)[-1]["reason"] == "a guest performance"
    jobs.extend()
    assert house.get("runs/spring/segments").json()["results"]


def test_on_a_run_it_stays(house: Caller, clock: HeldClock) -> None:
    clock.at = datetime(2026, 3, 20, 13, tzinfo=UTC)
    refused = problem(patch(house, PATH, {"venue": "shed"}), 422)
    assert (refused["field"], refused["problem"]) == ("venue", "run spring is under way, until 2026-03-23 12:00")
    assert patch(house, PATH, {"name": "Wren"}).status_code == 200
    assert problem(act(house, PATH, "retire"), 422)["problem"].startswith("run spring is under way")


def test_a_run_by_the_hours_of_its_place_holds_it_there(house: Caller) -> None:
    house.create("machines", MACHINE | {"id": "hours"})
    hours = RUN | {"id": "hours", "machine": "hours", "cycle": "temporal-hours", "strips_per_turn": 0}
    house.create("runs", hours)
    assert problem(patch(house, "machines/hours", {"venue": "shed"}), 422)["remedy"] == "withdraw that run first"


@pytest.mark.parametrize(
    "by_hours", [{"only_while_open": True}, {"policy": {"kind": "replay", "only_while_closed": True}}]
)
def test_a_run_by_opening_hours_does_not_come_to_where_nobody_knows_them(house: Caller, by_hours: Any) -> None:
    hours = {"week": {"monday": [{"opens": "10:00", "closes": "18:00"}]}, "dates": []}
    assert house.put("venues/quay/hours?accept=true", hours).status_code == 200
    house.create("machines", MACHINE | {"id": "hours"})
    house.create("runs", RUN | {"id": "hours", "machine": "hours"} | by_hours)
    refused = problem(patch(house, "machines/hours", {"venue": "shed"}, "?accept=true"), 422)
    assert (refused["field"], refused["problem"]) == (
        "venue",
        "run hours goes by when its venue is closed, and nobody knows when The Boat Shed is",
    )
    assert house.put("venues/shed/hours", hours).status_code == 200
    assert patch(house, "machines/hours", {"venue": "shed"}, "?accept=true").json()["venue"] == "shed"


@pytest.mark.parametrize(
    ("body", "field"),
    [({"venue": "nowhere"}, "venue"), ({"profile": "nothing"}, "profile"), ({"epoch": 3}, "epoch")],
)
def test_what_cannot_be_is_refused_by_name(house: Caller, body: Any, field: str) -> None:
    assert problem(patch(house, PATH, body), 422)["field"] == field


def test_its_model_is_put_right_only_before_its_first_run(house: Caller) -> None:
    refused = problem(patch(house, PATH, {"profile": "wide"}), 422)
    assert refused["remedy"] == "add a machine of the other profile, and retire this one"
    house.create("machines", MACHINE | {"id": "new"})
    assert patch(house, "machines/new", {"profile": "wide"}).json()["profile"] == "wide"
    house.put("machines/new/calibration", {"feed_factor": 1.01})
    assert problem(patch(house, "machines/new", {"profile": "wren"}), 422)["field"] == "profile"


def test_retired_it_takes_no_run_raises_no_notice_and_is_shown_nowhere(house: Caller) -> None:
    assert problem(act(house, PATH, "retire"), 422)["problem"].startswith("run spring is to come")
    house.create("machines", MACHINE | {"id": "old", "name": "Old wren"})
    told = NeverHeard(due_since=BEGINS, is_enrolled=False)
    append([Append("machine/old", None, [told])], Attribution(actor="watch", request=None, said_at=BEGINS))
    assert "Old wren" in Client().get("/").content.decode()
    assert Client().get("/machines/old/now").status_code == 200
    shown = act(house, "machines/old", "retire", query="?preview=true").json()["in_words"]
    assert shown[1] == "1 of its notices is over with that."
    assert act(house, "machines/old", "retire").json()["retired_at"] == "2026-03-20T06:00:00.000000Z"
    assert not Notice.objects.filter(machine_id="old", cleared_at=None).exists()
    assert "Old wren" not in Client().get("/").content.decode()
    assert "Old wren" not in Client().get("/venues/quay/today").content.decode()
    assert Client().get("/machines/old/now").status_code == 404
    run = RUN | {"id": "late", "machine": "old"}
    assert problem(house.post("runs", run), 422)["problem"] == "Old wren was retired"
    act(house, "machines/old", "take-back")
    assert house.create("runs", run)


def test_it_is_not_taken_back_into_a_venue_that_was_retired(house: Caller) -> None:
    house.create("machines", MACHINE | {"id": "far", "venue": "shed"})
    assert problem(act(house, "venues/shed", "retire"), 422)["problem"] == "Wren 1 (far) stands there"
    act(house, "machines/far", "retire")
    assert act(house, "venues/shed", "retire").status_code == 200
    assert problem(act(house, "machines/far", "take-back"), 422)["problem"] == "The Boat Shed was retired"


def test_a_venue_that_is_retired_in_this_moment_takes_it_not_back(
    house: Caller, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Somebody retires the venue after the order was worked out, and before it is written."""
    house.create("machines", MACHINE | {"id": "far", "venue": "shed"})
    act(house, "machines/far", "retire")
    monkeypatch.setattr(changes, "make", _overtaken(changes.make, lambda: act(house, "venues/shed", "retire")))
    assert problem(act(house, "machines/far", "take-back"), 422)["problem"] == "The Boat Shed was retired"
    assert house.get("venues/shed").json()["retired_at"] is not None


def test_its_runs_go_on_by_the_model_that_they_were_planned_with(house: Caller) -> None:
    house.create("profiles", changed(PROFILE, "profile.highest_mm_per_hour", 25.0) | {"id": "slow"})
    shown = patch(house, PATH, {"profile": "slow"}, "?preview=true").json()
    assert shown["in_words"] == [
        "It is a slow from now on, instead of a wren; its board hears so with work.",
        "Run spring goes on as it was planned, by version 1 of wren.",
    ]
    assert patch(house, PATH, {"profile": "slow"}).json()["profile"] == "slow"
    assert patch(house, "profiles/wren", {"profile": {"columns_per_burst": 2}}, "?preview=true").json()["in_words"] == [
        "This is version 2 of Wren: new runs are printed by it.",
        "Run spring of Wren 1 goes on with version 1, until it is over.",
    ]
    assert patch(house, PATH, {"profile": "wren"}).status_code == 200


def test_of_a_profile_that_is_retired_in_this_moment_none_is_added(
    house: Caller, monkeypatch: pytest.MonkeyPatch
) -> None:
    retired = _overtaken(base_views.carry_out, lambda: act(house, "profiles/wide", "retire"))
    monkeypatch.setattr(base_views, "carry_out", retired)
    assert problem(house.post("machines", MACHINE | {"id": "new", "profile": "wide"}), 422)["field"] == "profile"


def _overtaken(done: Callable[..., None], other: Callable[[], HttpResponse]) -> Callable[..., None]:
    """What is done, once somebody else was first."""
    begun: list[None] = []

    def held_up(*given: Any, **named: Any) -> None:
        if not begun:
            begun.append(None)
            assert other().status_code == 200
        done(*given, **named)

    return held_up


def test_what_its_board_tells_is_no_reason_to_ask_again(house: Caller) -> None:
    seen = house.get(PATH).headers["ETag"]
    told = NeverHeard(due_since=BEGINS, is_enrolled=False)
    append([Append("machine/wren-1", None, [told])], Attribution(actor="watch", request=None, said_at=BEGINS))
    assert house.get(PATH).headers["ETag"] != seen
    assert patch(house, PATH, {"name": "Wren"}, HTTP_IF_MATCH=seen).status_code == 200
    assert [step["kind"] for step in steps(house, PATH)] == ["machine-added", "machine-changed"]
