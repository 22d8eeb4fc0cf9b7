"""Runs whose machine was closed into an archive: shown by what is left, and nothing is ordered of them."""

from __future__ import annotations

from pathlib import Path

import pytest
from django.test import Client

from scheduling.log.integrity.archive import close_streams
from tests.scheduling.log.facts import by
from tests.server.api.test_bad_input import problem
from tests.server.api.test_changed_resources import act, patch
from tests.server.desk.pages import shown, signed_in
from tests.server.studio import IN_ORDER, Caller

ACTS = ("hold", "continue", "end", "succeed", "withdraw")


@pytest.fixture(params=["machine/wren-1", "venue/quay"])
def person(studio: Caller, tmp_path: Path, request: pytest.FixtureRequest) -> Client:
    for resource, body in IN_ORDER[:5]:
        studio.create(resource, body)
    close_streams([request.param], tmp_path / "old.jsonl", by(), key=None)
    return signed_in()


def test_a_run_is_shown_by_what_is_left(person: Client) -> None:
    assert "Land on wren-1" in shown(person, "/runs")
    page = shown(person, "/runs/spring")
    assert "What became of it" in page and "begins in 6 h" in page and "(UTC)" in page
    assert "/runs/spring/" not in page.replace("/runs/spring/proof.png", "") and "/runs/spring/proof.png" not in page


@pytest.mark.parametrize("path", [*ACTS, "change"])
def test_what_could_be_ordered_of_it_says_why_it_cannot(person: Client, path: str) -> None:
    assert "Its machine was closed into an archive." in shown(person, f"/runs/spring/{path}")
    answer = person.post(f"/runs/spring/{path}", {"at_by": "clock", "at_civil": "2026-03-21T18:00"})
    assert answer.status_code == 409 and b"Its machine was closed into an archive." in answer.content


@pytest.mark.parametrize("name", ACTS)
def test_the_api_refuses_it_by_name(person: Client, studio: Caller, name: str) -> None:
    body = {"id": "summer"} if name == "succeed" else {}
    assert problem(act(studio, "runs/spring", name, body), 422)["field"] == "machine"


def test_the_api_changes_and_draws_nothing_of_it(person: Client, studio: Caller) -> None:
    assert problem(patch(studio, "runs/spring", {"strips_per_turn": 6}), 422)["field"] == "machine"
    for path in ("proof.png", "geometry", "supplies"):
        assert problem(studio.get(f"runs/spring/{path}"), 422)["field"] == "machine", path
    assert [step["kind"] for step in studio.get("runs/spring/history").json()["steps"]] == ["run-planned"]
