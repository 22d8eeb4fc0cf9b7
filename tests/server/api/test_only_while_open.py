"""Runs that are printed only while their venue is open: planning one, what it would come to, and what is told of it."""

from __future__ import annotations

import json
from datetime import UTC, datetime, timedelta
from typing import Any

import pytest
from django.test import Client

from machines.protocol.messages import Work
from scheduling.log.models import Machine
from scheduling.outages.machine_state import machine_state
from scheduling.paper.printing_now import printing_now
from scheduling.queries.machine_context import machine_context
from server import jobs
from tests.server.api.test_bad_input import problem
from tests.server.api.test_withdrawn_runs import work
from tests.server.conftest import enrol
from tests.server.studio import IN_ORDER, RUN, Caller, HeldClock

DAYS = ("monday", "tuesday", "wednesday", "thursday", "friday", "saturday", "sunday")
HOURS = {"week": {day: [{"opens": "10:00", "closes": "18:00"}] for day in DAYS}, "dates": []}
OPEN = RUN | {"only_while_open": True}


@pytest.fixture
def quay(studio: Caller) -> Caller:
    for name, body in IN_ORDER[:4]:
        studio.create(name, body)
    assert studio.put("venues/quay/hours", HOURS).status_code == 200
    return studio


def test_its_board_is_told_with_the_closed_hours(quay: Caller) -> None:
    quay.create("runs", OPEN)
    jobs.extend()
    told: Work = work(Caller(str(enrol(quay)["token"])))
    assert told.run is not None
    assert told.run.only_while_open
    assert told.closed[-1].ends_at >= max(segment.knots[-1] for segment in told.segments)
    assert quay.get("runs/spring").json()["only_while_open"] is True


def test_round_the_clock_is_what_is_not_said(quay: Caller) -> None:
    quay.create("runs", RUN)
    assert quay.get("runs/spring").json()["only_while_open"] is False


def test_a_check_says_so_in_words_and_counts_what_is_printed(quay: Caller) -> None:
    around, only = (quay.post("run-checks", body).json() for body in (RUN, OPEN))
    (said,) = [one["in_words"] for one in only["warnings"] if one["kind"] == "only-while-open"]
    assert said == (
        "it is printed only while the venue is open; then it begins by itself."
        " What the sky passes meanwhile is left out."
    )
    assert only["paper_mm"] == pytest.approx(around["paper_mm"] / 3.0, rel=0.02)
    blank = quay.post("run-checks", OPEN | {"policy": {"kind": "blank"}}).json()
    assert blank["paper_mm"] == pytest.approx(around["paper_mm"])


def test_the_forecast_counts_what_is_printed(quay: Caller, clock: HeldClock) -> None:
    quay.create("runs", OPEN)
    jobs.extend()
    columns = _columns(quay)
    assert columns == pytest.approx(3 * 24 * 15 / 3, rel=0.02)
    quay.put("venues/quay/hours", HOURS | {"week": {"saturday": [{"opens": "10:00", "closes": "18:00"}]}})
    assert _columns(quay) == pytest.approx(8 * 15, abs=2)


def _columns(studio: Caller) -> Any:
    told = studio.get("machines/wren-1/forecast").json()
    return told["run"]["to_come"]["paper_mm"] / (120.0 / 360)


@pytest.mark.parametrize(
    ("body", "hours"),
    [
        (OPEN, False),
        (OPEN | {"policy": {"kind": "replay", "only_while_closed": True}}, True),
        (OPEN | {"only_while_open": "yes"}, True),
    ],
)
def test_what_cannot_be_is_refused(studio: Caller, body: Any, hours: bool) -> None:
    for name, one in IN_ORDER[:4]:
        studio.create(name, one)
    if hours:
        studio.put("venues/quay/hours", HOURS)
    assert problem(studio.post("runs", body), 422)["field"] == "only_while_open"


def test_at_night_nothing_is_wrong(quay: Caller, clock: HeldClock, client: Client) -> None:
    quay.create("runs", OPEN)
    jobs.extend()
    board = Caller(str(enrol(quay)["token"]))
    work(board)
    clock.at = datetime(2026, 3, 21, 2, tzinfo=UTC)
    work(board)
    assert _state(clock.at) == "recess"
    shown = client.get("/machines/wren-1/now").content.decode().replace("\u00a0", " ")
    assert "not printing while the house is closed, until" in shown
    clock.at = datetime(2026, 3, 21, 11, tzinfo=UTC)
    work(board)
    assert _state(clock.at + timedelta(minutes=1)) == "printing"


def _state(at: datetime) -> str:
    context = machine_context(Machine.objects.get(), at)
    return machine_state(context, printing_now(context)).kind


def test_before_it_begins_it_can_be_said_otherwise(quay: Caller) -> None:
    quay.create("runs", OPEN)
    seen = {"HTTP_IF_MATCH": quay.get("runs/spring").headers["ETag"]}
    body = json.dumps({"only_while_open": False})
    changed = quay.other("PATCH", "runs/spring?accept=true", data=body, content_type="application/json", **seen)
    assert changed.status_code == 200, changed.content
    assert quay.get("runs/spring").json()["only_while_open"] is False
    *_, step = quay.get("runs/spring/history").json()["steps"]
    assert "only_while_open" in [one["field"] for one in step["fields"]]
