"""Sources and profiles: put right while nothing was made by them, and named otherwise and retired at any time."""

from __future__ import annotations

from typing import Any

import pytest

from scheduling.log.models import Event
from tests.server.api.test_bad_input import problem
from tests.server.api.test_changed_resources import act, patch
from tests.server.studio import MACHINE, PROFILE, RUN, SOURCE, Caller

LATER = {"starts_at": "2026-03-24T12:00:00.000000Z", "ends_at": "2026-03-25T12:00:00.000000Z"}


@pytest.mark.parametrize(
    ("body", "field"),
    [
        ({"picture": {"projection": "mercator"}}, "picture"),
        ({"method": "diffusion"}, "method"),
        ({"upload": "0" * 64}, "upload"),
        ({"picture": {"kind": "hologram"}}, "picture.kind"),
    ],
)
def test_what_a_run_has_stays(furnished: Caller, body: Any, field: str) -> None:
    events = Event.objects.count()
    assert problem(patch(furnished, "sources/land", body), 422)["field"] == field
    assert Event.objects.count() == events
    assert patch(furnished, "sources/land", {"name": "The land"}).status_code == 200


def test_a_source_that_no_run_has_is_another_picture(furnished: Caller) -> None:
    furnished.create("sources", SOURCE | {"id": "new"})
    shown = patch(furnished, "sources/new", {"method": "diffusion"}, "?preview=true").json()
    assert shown["in_words"] == ["Its tones become dots otherwise."]
    changed = patch(furnished, "sources/new", {"picture": {"projection": "mercator"}, "method": "diffusion"}).json()
    assert (changed["picture"]["projection"], changed["method"]) == ("mercator", "diffusion")
    furnished.create("runs", RUN | {"id": "later", "source": "new"} | LATER)


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


def test_the_numbers_of_a_profile_stay_that_runs_are_measured_by(furnished: Caller) -> None:
    refused = problem(patch(furnished, "profiles/wren", {"profile": {"mm_per_turn": 60.0}}), 422)
    assert refused["problem"] == "the runs spring of Wren 1 (wren-1) are measured by it"


def test_before_that_they_are_put_right_as_a_whole(furnished: Caller) -> None:
    furnished.create("profiles", PROFILE | {"id": "new"})
    furnished.create("machines", MACHINE | {"id": "fresh", "name": "Fresh", "profile": "new"})
    shown = patch(furnished, "profiles/new", {"profile": {"columns_per_turn": 720}}, "?preview=true").json()
    assert shown["in_words"] == ["So Fresh is other than said before."]
    assert patch(furnished, "profiles/new", {"profile": {"columns_per_turn": 720}}).status_code == 200
    furnished.create("runs", RUN | {"id": "fresh", "machine": "fresh"})
    assert furnished.get("runs/fresh").json()["end_column"] - furnished.get("runs/fresh").json()["first_column"] == 2160
    assert problem(patch(furnished, "profiles/new", {"profile": {"knife": None, "media": None}}), 422)


def test_what_was_measured_has_to_fit_the_numbers(furnished: Caller) -> None:
    furnished.create("profiles", PROFILE | {"id": "new"})
    furnished.create("machines", MACHINE | {"id": "fresh", "profile": "new"})
    furnished.put("machines/fresh/calibration", {"head_to_knife_mm": 21.0})
    assert problem(patch(furnished, "profiles/new", {"profile": {"knife": None}}), 422)["field"] == "head_to_knife_mm"
