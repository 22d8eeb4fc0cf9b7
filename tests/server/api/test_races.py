"""Two who decide on the same version: one is first, and the other is told what changed, and writes nothing."""

from __future__ import annotations

from typing import Any

import pytest

import server.api.changes
from scheduling.log.integrity.verify import verify
from scheduling.log.models import Event, Venue
from scheduling.log.store import stream_version
from tests.server.api.test_bad_input import problem
from tests.server.api.test_hours import HOURS
from tests.server.studio import Caller

CLOSED = HOURS | {"week": {}}


def just_before_the_other(monkeypatch: pytest.MonkeyPatch, module: Any, other: Any) -> None:
    """The first to read a stream's version is held up until the other is done."""

    def held_up(stream: str) -> int:
        version = stream_version(stream)
        monkeypatch.setattr(module, "stream_version", stream_version)
        other()
        return version

    monkeypatch.setattr(module, "stream_version", held_up)


def test_the_second_to_set_hours_is_told_what_changed(furnished: Caller, monkeypatch: pytest.MonkeyPatch) -> None:
    before = stream_version("venue/quay")
    answers: list[int] = []
    just_before_the_other(
        monkeypatch,
        server.api.changes,
        lambda: answers.append(furnished.put("venues/quay/hours?accept=true", HOURS).status_code),
    )
    response = furnished.put("venues/quay/hours?accept=true", CLOSED, HTTP_IF_MATCH="*")
    assert answers == [200]
    told = problem(response, 409)
    assert told["type"] == "/api/v1/problems/lost-race"
    assert (told["stream"], told["expected"], told["actual"]) == ("venue/quay", before, before + 1)
    written = Event.objects.get(stream="venue/quay", version=before + 1)
    (change,) = told["changes"]
    assert (change["version"], change["kind"], change["actor"]) == (before + 1, "hours-set", written.actor)
    assert change["said_at"] == written.said_at.strftime("%Y-%m-%dT%H:%M:%S.%fZ")
    assert stream_version("venue/quay") == before + 1
    assert Venue.objects.get(id="quay").hours == written.data["hours"]
    verify()
    # Having read again, the loser may still want it.
    assert furnished.put("venues/quay/hours?accept=true", CLOSED).status_code == 200


def test_the_problem_is_described(furnished: Caller) -> None:
    described = furnished.get("problems/lost-race")
    assert described.status_code == 200
    assert "Somebody else was first" in described.content.decode()
