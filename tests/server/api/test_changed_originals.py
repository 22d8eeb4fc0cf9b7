"""Sources and profiles: given another version, and named otherwise and retired at any time."""

from __future__ import annotations

from dataclasses import replace
from datetime import UTC, datetime, timedelta
from typing import Any

import pytest

from machines.recovery import Limit, Rule
from scheduling.log.models import Event
from server import jobs
from tests.server.api.test_bad_input import problem
from tests.server.api.test_changed_resources import act, patch
from tests.server.api.test_override import report, settled
from tests.server.api.test_successor_runs import NOON, followed, succeed
from tests.server.api.test_withdrawn_runs import work
from tests.server.studio import MACHINE, PROFILE, RUN, SOURCE, Caller, HeldClock

LATER = {"starts_at": "2026-03-24T12:00:00.000000Z", "ends_at": "2026-03-25T12:00:00.000000Z"}


def test_what_a_run_has_stays_with_it_and_the_next_has_the_new(furnished: Caller) -> None:
    shown = patch(furnished, "sources/land", {"method": "diffusion"}, "?preview=true").json()
    assert [one["field"] for one in shown["fields"]] == ["method", "version"]
    assert shown["in_words"] == [
        "Its tones become dots otherwise.",
        "This is version 2 of Land: new runs print it.",
        "Run spring goes on with version 1, until it is over.",
    ]
    body = {"method": "diffusion", "picture": {"projection": "mercator"}, "reason": "too dark"}
    assert patch(furnished, "sources/land", body).json()["version"] == 2
    assert patch(furnished, "sources/land", {"name": "The land"}).json()["version"] == 2
    furnished.create("runs", RUN | {"id": "later"} | LATER)
    assert [furnished.get(f"runs/{id}").json()["source_version"] for id in ("spring", "later")] == [1, 2]
    first, second = furnished.get("sources/land/versions").json()["versions"]
    assert (first["version"], first["said"]["method"], first["reason"]) == (1, "blue-noise", None)
    assert (second["version"], second["said"]["method"], second["reason"]) == (2, "diffusion", "too dark")
    assert second["said"]["name"] == "The land" and second["since"] == "2026-03-20T06:00:00.000000Z"


@pytest.mark.parametrize(
    ("body", "field"), [({"picture": {"kind": "hologram"}}, "picture.kind"), ({"upload": "0" * 64}, "upload")]
)
def test_what_cannot_be_drawn_is_refused(furnished: Caller, body: Any, field: str) -> None:
    events = Event.objects.count()
    assert problem(patch(furnished, "sources/land", body), 422)["field"] == field
    assert Event.objects.count() == events


def test_a_file_that_is_not_there_is_refused(furnished: Caller) -> None:
    furnished.create("sources", SOURCE | {"id": "new"})
    was = furnished.get("sources/new").json()["picture"]
    body = {"picture": dict.fromkeys(was) | {"kind": "image"}, "upload": "0" * 64}
    assert problem(patch(furnished, "sources/new", body), 422)["field"] == "upload"


def test_retired_nothing_new_is_made_by_them(furnished: Caller) -> None:
    for path in ("sources/land", "profiles/wren"):
        act(furnished, path, "retire")
    run, machine = RUN | {"id": "later"} | LATER, MACHINE | {"id": "wren-2"}
    assert problem(furnished.post("runs", run), 422)["problem"] == "Land was retired"
    assert problem(furnished.post("machines", machine), 422)["problem"] == "Wren was retired"
    assert furnished.get("runs/spring").status_code == 200
    for path in ("sources/land", "profiles/wren"):
        act(furnished, path, "take-back")
    assert furnished.create("runs", run) and furnished.create("machines", machine)


@pytest.mark.parametrize("numbers", [{"mm_per_turn": 60.0}, {"knife": None}, {"travel": "left"}])
def test_the_numbers_of_a_profile_stay_that_paper_is_measured_by(furnished: Caller, numbers: Any) -> None:
    (name,) = numbers
    refused = problem(patch(furnished, "profiles/wren", {"profile": numbers}), 422)
    assert refused["problem"] == f"the runs spring of Wren 1 (wren-1) are measured by {name}"


def test_other_numbers_are_a_version_and_a_run_goes_on_with_its_own(
    furnished: Caller, node: Caller, clock: HeldClock
) -> None:
    numbers = {"highest_mm_per_hour": 20.0, "columns_per_burst": 3, "media": {"roll_m": 50.0}}
    shown = patch(furnished, "profiles/wren", {"profile": numbers}, "?preview=true").json()
    assert shown["in_words"] == [
        "This is version 2 of Wren: new runs are printed by it.",
        "Wren 1 goes by version 2 at once, also on a run, for media.",
        "Run spring of Wren 1 goes on with version 1, until it is over.",
    ]
    before = work(node).profile
    assert patch(furnished, "profiles/wren", {"profile": numbers}).json()["version"] == 2
    after = work(node).profile
    assert after == replace(before, media=replace(before.media, roll_m=50.0))
    furnished.create("runs", RUN | {"id": "later"} | LATER)
    rows = [furnished.get(f"runs/{id}").json() for id in ("spring", "later")]
    assert [(row["profile"], row["profile_version"]) for row in rows] == [("wren", 1), ("wren", 2)]
    bursts = [furnished.get(f"runs/{id}/geometry").json()["burst"]["columns"] for id in ("spring", "later")]
    assert bursts == [1, 3]
    said = furnished.get("profiles/wren/versions").json()["versions"]
    assert [one["said"]["profile"]["columns_per_burst"] for one in said] == [1, 3]
    act(furnished, "runs/spring", "withdraw")
    clock.at += timedelta(days=4)
    jobs.extend()
    assert work(node).profile.columns_per_burst == 3


def test_what_its_board_settles_is_held_against_the_version_of_the_run(
    furnished: Caller, node: Caller, clock: HeldClock
) -> None:
    act(furnished, "runs/spring", "withdraw")
    furnished.create(
        "runs", RUN | {"id": "late", "policy": {"kind": "replay-within", "within": {"value": 1.0, "unit": "hours"}}}
    )
    jobs.extend()
    held, at = work(node), datetime(2026, 3, 20, 16, tzinfo=UTC)
    patch(furnished, "profiles/wren", {"profile": {"highest_mm_per_hour": 6.0, "columns_per_burst": 9}})
    newest = replace(held, profile=replace(held.profile, highest_mm_per_hour=6.0, columns_per_burst=9))
    rule, since = Rule(kind="replay-within", within=Limit(value=1.0, unit="hours")), at - timedelta(hours=2)
    ours, other = (settled(one, 1, at, rule, since=since) for one in (held, newest))
    assert ours["decision"]["replayed"] != other["decision"]["replayed"]
    clock.at = at
    report(node, ours)
    assert Event.objects.filter(kind="gap-settled").count() == 1
    assert not Event.objects.filter(kind="settlement-differed").exists()


def test_whoever_follows_a_run_takes_the_newest_from_a_boundary_on(furnished: Caller, node: Caller) -> None:
    patch(furnished, "sources/land", {"method": "diffusion"})
    patch(furnished, "profiles/wren", {"profile": {"columns_per_burst": 7}})
    told = succeed(furnished, NOON, "?preview=true").json()["in_words"]
    assert "It prints version 2 of Land, instead of version 1." in told
    assert "It is printed by version 2 of Wren, instead of version 1." in told
    before, then = followed(furnished, NOON)
    assert [(one["source_version"], one["profile_version"]) for one in (before, then)] == [(1, 1), (2, 2)]
    assert before["end_column"] == then["first_column"]
    jobs.extend()
    drawn = [
        {row["plate"] for row in furnished.get(f"runs/{id}/segments").json()["results"]} for id in ("spring", "then")
    ]
    assert all(drawn) and not drawn[0] & drawn[1]
    assert work(node).profile.columns_per_burst == 1


def test_before_that_they_are_put_right_as_a_whole(furnished: Caller) -> None:
    furnished.create("profiles", PROFILE | {"id": "new"})
    furnished.create("machines", MACHINE | {"id": "fresh", "name": "Fresh", "profile": "new"})
    shown = patch(furnished, "profiles/new", {"profile": {"columns_per_turn": 720}}, "?preview=true").json()
    assert shown["in_words"] == ["This is version 2 of Wren: new runs are printed by it."]
    assert patch(furnished, "profiles/new", {"profile": {"columns_per_turn": 720}}).status_code == 200
    furnished.create("runs", RUN | {"id": "fresh", "machine": "fresh"})
    assert furnished.get("runs/fresh").json()["end_column"] - furnished.get("runs/fresh").json()["first_column"] == 2160
    assert problem(patch(furnished, "profiles/new", {"profile": {"knife": None, "media": None}}), 422)


def test_what_was_measured_has_to_fit_the_numbers(furnished: Caller) -> None:
    furnished.create("profiles", PROFILE | {"id": "new"})
    furnished.create("machines", MACHINE | {"id": "fresh", "profile": "new"})
    furnished.put("machines/fresh/calibration", {"head_to_knife_mm": 21.0})
    assert problem(patch(furnished, "profiles/new", {"profile": {"knife": None}}), 422)["field"] == "head_to_knife_mm"
