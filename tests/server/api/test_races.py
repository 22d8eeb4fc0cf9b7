"""Two who decide on the same version: one is first, and the other is told what changed, and writes nothing."""

from __future__ import annotations

from typing import Any

import pytest

import server.api.changes
import server.api.machines
from scheduling.log.integrity.verify import verify
from scheduling.log.models import Event, Venue
from scheduling.log.store import stream_version
from server import wiring
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


def test_what_a_board_tells_meanwhile_takes_no_measurement_away(
    furnished: Caller, node: Caller, monkeypatch: pytest.MonkeyPatch
) -> None:
    attributed = server.api.machines.attribution

    def held_up(*asked: Any) -> Any:
        at = wiring.now().isoformat()
        entry = {"kind": "node-stopped", "seq": 1, "at": at}
        assert node.post("node/reports", {"epoch": 1, "entries": [entry]}).status_code == 200
        return attributed(*asked)

    monkeypatch.setattr(server.api.machines, "attribution", held_up)
    assert furnished.put("machines/wren-1/calibration", {"feed_factor": 1.01}).status_code == 200
    kinds = Event.objects.filter(stream="machine/wren-1").order_by("version").values_list("kind", flat=True)
    assert list(kinds)[-2:] == ["node-stopped", "machine-calibrated"]


def test_of_two_who_measured_the_second_is_told(furnished: Caller, monkeypatch: pytest.MonkeyPatch) -> None:
    attributed = server.api.machines.attribution

    def held_up(*asked: Any) -> Any:
        monkeypatch.setattr(server.api.machines, "attribution", attributed)
        assert furnished.put("machines/wren-1/calibration", {"feed_factor": 1.01}).status_code == 200
        return attributed(*asked)

    tag = furnished.get("machines/wren-1/calibration").headers["ETag"]
    monkeypatch.setattr(server.api.machines, "attribution", held_up)
    response = furnished.put("machines/wren-1/calibration", {"feed_factor": 0.99}, HTTP_IF_MATCH=tag)
    assert response.status_code == 412
    assert furnished.get("machines/wren-1").json()["calibration"]["feed_factor"] == 1.01


def test_the_problem_is_described(furnished: Caller) -> None:
    described = furnished.get("problems/lost-race")
    assert described.status_code == 200
    assert "Somebody else was first" in described.content.decode()
