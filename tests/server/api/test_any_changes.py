"""Whatever is changed in which order: views fold alike, the past is told as it was, and every column is of one run."""

from __future__ import annotations

import json
from collections.abc import Iterator
from dataclasses import dataclass
from datetime import timedelta
from itertools import combinations
from typing import Any

import pytest
from django.db import transaction
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from machines.serialization import format_instant, parse_instant
from scheduling.log.rebuilding.rebuild import rebuild
from server import jobs
from server.api.resources import RESOURCES
from tests.server.studio import (
    BEGINS,
    FAR_VENUE,
    MACHINE,
    PROFILE,
    SERIES,
    SERVICE_WINDOW,
    SOURCE,
    Caller,
    HeldClock,
    changed,
)

CHANGEABLE = {
    one.name if one.name.endswith("series") else f"{one.name}s": one for one in RESOURCES if one.changeable is not None
}
# Of each resource, what is changed: the one whose machine has a run, and another.
ROWS = {
    "venues": ("quay", "shed"),
    "profiles": ("wren", "wide"),
    "machines": ("wren-1", "wren-2"),
    "sources": ("land", "sea"),
    "runs": ("spring", "later"),
    "openings": ("first-night", "sundays-2026-03-29"),
    "opening-series": ("sundays",),
    "service-windows": ("rounds",),
}
# How its fields are changed; of runs, where they can be.
PATCHES: dict[str, tuple[dict[str, Any], ...]] = {
    "venues": ({"name": "The Quay"}, {"zone": "Europe/Madrid"}, {"latitude_degrees": 40.0}),
    "profiles": (
        {"profile": {"name": "Wren of old"}},
        {"profile": {"columns_per_turn": 720}},
        {"profile": {"slip_threshold_mm": 0.3}},
    ),
    "machines": ({"name": "Wren"}, {"venue": "shed"}, {"venue": "quay"}, {"profile": "wide"}),
    "sources": ({"name": "The land"}, {"picture": {"projection": "mercator"}}),
    "runs": ({"policy": {"kind": "blank"}}, {"nozzle_seed": 11}, {"strips_per_turn": 6}),
    "openings": (
        {"name": "Late night"},
        {"anchor": {"civil": "2026-03-22T20:30"}},
        {"closing": {"civil": "2026-03-23T02:00", "zone": "Europe/Lisbon"}},
        {"closing": None},
    ),
    "opening-series": (
        {"name": "Matins"},
        {"anchor": {"civil": "2026-03-22T20:30"}},
        {"rule": "FREQ=WEEKLY;COUNT=3"},
        {"dates_off": ["2026-03-29"]},
    ),
    "service-windows": ({"name": "Rounds"}, {"comes": {"weekday": "friday"}}, {"comes": {"begins": "09:00"}}),
}
# What acts are told; those that are not here are told nothing.
ORDERS: dict[str, tuple[dict[str, Any], ...]] = {
    "end": tuple(
        {"boundary": boundary, "at": format_instant(BEGINS + timedelta(hours=hours))}
        for boundary, hours in (("burst", 20), ("strip", 33), ("turn", 40), ("burst", 70))
    ),
    "succeed": tuple(
        {"id": "next", "boundary": boundary, "at": format_instant(BEGINS + timedelta(hours=hours))} | named
        for boundary, hours, named in (
            ("turn", 12, {"source": "sea"}),
            ("burst", 29, {"policy": {"kind": "blank"}}),
            ("strip", 41, {"machine": "wren-2"}),
        )
    ),
}
# What a run tells that no machine has a part in, and that stays as it was told.
TELEMETRY = {"board"}


@dataclass(frozen=True)
class Said:
    """A change, as it was drawn: of which row, and how; ``hours`` pass before it."""

    path: str
    act: str
    order: dict[str, Any]
    hours: float


@st.composite
def changes(draw: st.DrawFn) -> Said:
    """Any of what can be changed, by what the API lists."""
    plural = draw(st.sampled_from(sorted(CHANGEABLE)))
    what = CHANGEABLE[plural].changeable
    assert what is not None
    act = draw(st.sampled_from(sorted({*what.acts, *([""] if what.change is not None else [])})))
    order = draw(st.sampled_from(ORDERS.get(act, ({},)) if act else PATCHES[plural]))
    row = draw(st.sampled_from((*ROWS[plural], "next") if plural == "runs" else ROWS[plural]))
    return Said(f"{plural}/{row}", act, order, draw(st.sampled_from((0.0, 0.0, 1.0, 7.0))))


@pytest.fixture
def quay(furnished: Caller) -> Caller:
    """The studio, with two machines, each on a run, two venues, models and pictures."""
    furnished.create("venues", FAR_VENUE)
    furnished.create("profiles", changed(PROFILE, "profile.clock_tolerance_dots", 0.25) | {"id": "wide"})
    furnished.create("sources", SOURCE | {"id": "sea", "name": "Sea"})
    furnished.create("machines", MACHINE | {"id": "wren-2", "name": "Wren 2"})
    furnished.create("service-windows", SERVICE_WINDOW)
    furnished.create("opening-series", SERIES)
    later = {"id": "later", "starts_at": "2026-03-24T00:00:00Z", "ends_at": "2026-03-26T00:00:00Z"}
    furnished.create("runs", {**run_of(furnished), **later})
    jobs.extend()
    return furnished


def run_of(caller: Caller) -> dict[str, Any]:
    """What would plan a run as the first is."""
    row = caller.get("runs/spring").json()
    names = ("machine", "source", "cycle", "segments_per_turn", "strips_per_turn", "policy")
    return {name: row[name] for name in names}


@settings(max_examples=10, suppress_health_check=[HealthCheck.function_scoped_fixture, HealthCheck.too_slow])
@given(said=st.lists(changes(), min_size=2, max_size=7))
def test_whatever_is_changed_all_that_hangs_on_it_stays_true(quay: Caller, clock: HeldClock, said: list[Said]) -> None:
    clock.at = BEGINS
    with transaction.atomic():
        remembered = list(_say_all(quay, clock, said))
        assert [one.name for one in rebuild() if not one.equal] == []
        for at, path, row in remembered:
            assert _said(quay.get(f"{path}?at={at}").json()) == row, (path, at)
        jobs.extend()
        _each_column_is_of_one_run(quay)
        transaction.set_rollback(True)


def _say_all(caller: Caller, clock: HeldClock, said: list[Said]) -> Iterator[tuple[str, str, Any]]:
    """Before and after each change that stands: the instant, and how the row was then."""
    for one in said:
        clock.at += timedelta(hours=one.hours, seconds=1)
        before = caller.get(one.path)
        if before.status_code == 404:  # nothing has followed yet
            continue
        was, at = _said(before.json()), format_instant(clock.at)
        clock.at += timedelta(seconds=1)
        answer = _order(caller, one, before.headers["ETag"])
        assert answer.status_code in (200, 409, 422), answer.content
        stands = _said(caller.get(one.path).json())
        if answer.status_code != 200:
            assert stands == was, one
            continue
        yield at, one.path, was
        yield format_instant(clock.at), one.path, stands


def _order(caller: Caller, one: Said, tag: str) -> Any:
    if one.act:
        return caller.post(f"{one.path}/{one.act}?accept=true", one.order, HTTP_IF_MATCH=tag)
    options = {"data": json.dumps(one.order), "content_type": "application/json", "HTTP_IF_MATCH": tag}
    return caller.other("PATCH", f"{one.path}?accept=true", **options)


def _said(row: dict[str, Any]) -> dict[str, Any]:
    return {name: value for name, value in row.items() if name not in TELEMETRY}


def _each_column_is_of_one_run(caller: Caller) -> None:
    """The columns of each run that stands are planned in segments, each once; no machine is on two runs at a time; and
    where one follows another, no column is in both or between them."""
    runs = [row for row in caller.get("runs").json()["results"] if row["withdrawn_at"] is None]
    for run in runs:
        rows = caller.get(f"runs/{run['id']}/segments?limit=500").json()["results"]
        spans = [(one["first_column"], min(one["end_column"], run["end_column"])) for one in rows]
        columns = [column for first, end in spans for column in range(first, end)]
        assert columns == list(range(run["first_column"], min(run["planned_to_column"], run["end_column"])))
    for one, other in combinations(runs, 2):
        if one["machine"] == other["machine"]:
            assert _at(one, "ends_at") <= _at(other, "starts_at") or _at(other, "ends_at") <= _at(one, "starts_at")
        assert one["end_column"] <= other["first_column"] or other["end_column"] <= one["first_column"]
    by_id = {run["id"]: run for run in runs}
    for run in runs:
        if run["followed_by"] in by_id:
            assert by_id[run["followed_by"]]["first_column"] == run["end_column"]


def _at(run: dict[str, Any], name: str) -> Any:
    return parse_instant(run[name])


def test_everything_that_can_be_changed_is_drawn() -> None:
    assert set(ROWS) == set(PATCHES) == set(CHANGEABLE)
    acts = {act for one in CHANGEABLE.values() if one.changeable for act in one.changeable.acts}
    assert set(ORDERS) <= acts


def test_all_rows_are_there(quay: Caller) -> None:
    assert [
        path for path in (f"{name}/{id}" for name in ROWS for id in ROWS[name]) if quay.get(path).status_code != 200
    ] == []
