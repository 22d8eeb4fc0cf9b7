"""A poll that finds nothing new: what it asks of the database, what it tells, and that it lets in nobody else."""

from __future__ import annotations

from datetime import timedelta
from typing import Any

import pytest
from django.db import OperationalError, connection
from django.http import HttpResponse
from django.test.utils import CaptureQueriesContext

from scheduling.background.watch_silence import watch_silence
from scheduling.log.models import Heartbeat, Machine
from server import wiring
from server.api import unchanged
from tests.server.api.test_bad_input import problem
from tests.server.conftest import enrol
from tests.server.studio import Caller, HeldClock

WORK = "node/work?horizon=PT24H"
# The tenth part of the fifteen minutes after which a node counts as silent.
NEW_ENOUGH = timedelta(seconds=90)


def poll(node: Caller, tag: str, path: str = WORK, **heads: Any) -> HttpResponse:
    return node.get(path, HTTP_IF_NONE_MATCH=tag, **heads)


@pytest.fixture
def tag(node: Caller) -> str:
    """Of the work that the node holds."""
    return str(node.get(WORK)["ETag"])


@pytest.fixture
def by_the_view(monkeypatch: pytest.MonkeyPatch) -> None:
    """Every poll goes to the view, as if nothing could be told at once."""
    monkeypatch.setattr(unchanged, "_unchanged", lambda _: None)


def test_it_asks_whose_token_it_is_and_what_the_work_stands_on_and_writes_nothing(node: Caller, tag: str) -> None:
    with CaptureQueriesContext(connection) as asked:
        assert poll(node, tag).status_code == 304
    assert len(asked) == 2
    assert all(one["sql"].lstrip().startswith("SELECT") for one in asked)


def test_it_tells_what_the_view_would(node: Caller, tag: str, request: pytest.FixtureRequest) -> None:
    at_once = poll(node, tag)
    request.getfixturevalue("by_the_view")
    viewed = poll(node, tag)
    for answer in (at_once, viewed):
        assert (answer.status_code, answer.content, answer["ETag"]) == (304, b"", tag)
        assert answer["Cache-Control"] == "private, no-cache"
        assert answer["X-Content-Type-Options"] == "nosniff"
        assert "default-src 'self'" in answer["Content-Security-Policy"]
        assert answer["X-Request-Id"]


@pytest.mark.parametrize(
    ("path", "heads", "status"),
    [
        ("node/work?horizon=PT24H", {"HTTP_IF_NONE_MATCH": '"x"'}, 200),
        ("node/work?horizon=PT23H", {}, 200),
        ("node/work?horizon=P1D", {}, 304),  # as long by another name
        ("node/work", {}, 304),
        ("node/work?horizon=PT24H&horizon=PT24H", {}, 422),
        ("node/work?horizon=PT24H&since=now", {}, 422),
        ("node/work?horizon=", {}, 422),
        ("node/work?horizon=PT2%34H", {}, 304),
        ("node/work?horizon=PT24H", {"HTTP_IF_MATCH": '"x"'}, 412),
        ("node/work?horizon=PT24H", {"HTTP_HOST": "elsewhere.example"}, 400),
    ],
)
def test_whatever_is_asked_is_answered_as_by_the_view(
    node: Caller, tag: str, path: str, heads: dict[str, str], status: int, request: pytest.FixtureRequest
) -> None:
    poll(node, tag)
    asked = {"HTTP_IF_NONE_MATCH": tag} | heads
    assert node.get(path, **asked).status_code == status
    request.getfixturevalue("by_the_view")
    assert node.get(path, **asked).status_code == status


def test_nobody_else_is_told(node: Caller, furnished: Caller, tag: str) -> None:
    assert poll(node, tag).status_code == 304
    strangers = {"": 401, "node_0123456789_guess": 401, str(furnished.token): 403}
    for key, status in strangers.items():
        assert poll(Caller(key or None), tag).status_code == status
    assert poll(Caller(f"{node.token}x"), tag).status_code == 401


def test_a_board_that_was_fenced_off_hears_so(node: Caller, furnished: Caller, tag: str) -> None:
    enrol(furnished)
    told = problem(poll(node, tag), 409)
    assert (told["type"], told["epoch"], told["current"]) == ("/api/v1/problems/stale-epoch", 1, 2)


def test_a_database_that_does_not_answer_is_said_to_be_so(
    node: Caller, tag: str, monkeypatch: pytest.MonkeyPatch
) -> None:
    def gone(*_: object) -> None:
        raise OperationalError("the server closed the connection")

    monkeypatch.setattr("server.api.unchanged.basis_of", gone)
    monkeypatch.setattr("server.api.node.basis_of", gone)
    told = poll(node, tag)
    assert (told.status_code, told.json()["type"]) == (503, "/api/v1/problems/unavailable")
    assert told["Retry-After"]


def test_that_it_was_heard_is_written_down_once_in_a_tenth_of_a_silence(
    node: Caller, tag: str, clock: HeldClock
) -> None:
    first = Heartbeat.objects.get().heard_at
    for passed in (timedelta(), NEW_ENOUGH - timedelta(microseconds=1)):
        clock.at = first + passed
        assert poll(node, tag).status_code == 304
        assert Heartbeat.objects.get().heard_at == first
    clock.at = first + NEW_ENOUGH
    assert poll(node, tag).status_code == 304
    assert Heartbeat.objects.get().heard_at == clock.at
    clock.at = first  # which was put back: what is kept seems to be of later
    assert poll(node, tag).status_code == 304
    assert Heartbeat.objects.get().heard_at == first


def test_what_a_node_says_of_itself_is_always_written_down(node: Caller, tag: str, clock: HeldClock) -> None:
    said = {"at": "2026-03-20T06:00:00Z", "next_column": 0, "paper_position": 0, "clock_error_s": 0.1}
    for position in (3, 4):
        clock.at += timedelta(seconds=1)
        status = said | {"paper_position": position, "knife_armed": False, "held_until": None}
        assert node.post("node/reports", {"epoch": 1, "entries": [], "status": status}).status_code == 200
        kept = Heartbeat.objects.get()
        assert (kept.heard_at, kept.status["paper_position"]) == (clock.at, position)


def test_a_node_that_only_polls_is_never_silent_and_one_that_stops_is(node: Caller, tag: str, clock: HeldClock) -> None:
    clock.at += timedelta(hours=7)  # the run has begun
    tag = str(node.get(WORK)["ETag"])
    for _ in range(60):
        clock.at += timedelta(seconds=47)
        tag = str(poll(node, tag).headers["ETag"])
        watch_silence(wiring.now(), wiring.silent_after())
        assert Machine.objects.get().silent_since is None
    last_heard = clock.at
    clock.at += wiring.silent_after() - NEW_ENOUGH
    watch_silence(wiring.now(), wiring.silent_after())
    assert Machine.objects.get().silent_since is None
    clock.at = last_heard + wiring.silent_after() + timedelta(seconds=1)
    watch_silence(wiring.now(), wiring.silent_after())
    since = Machine.objects.get().silent_since
    assert since is not None and last_heard - NEW_ENOUGH < since <= last_heard
