"""Runs, machines and openings as they were, by when it happened and by when it was known."""

from __future__ import annotations

from datetime import timedelta
from typing import Any

import pytest

from machines.wire import Work
from scheduling.log.store import Append, Attribution, append
from server import wiring
from tests.scheduling.log.facts import opening
from tests.server.studio import Caller, HeldClock, printed


@pytest.fixture
def told_late(node: Caller, furnished: Caller, clock: HeldClock) -> Work:
    """A node that was cut off on Friday told on Sunday what it had printed."""
    work = Work.from_json(node.get("node/work").json())
    clock.at += timedelta(days=2)
    node.post("node/reports", {"epoch": 1, "entries": [printed(work, seq) for seq in range(1, 4)]})
    return work


def then(caller: Caller, path: str, query: str) -> Any:
    response = caller.get(f"{path}?{query}")
    assert response.status_code == 200, response.content
    return response.json()


def test_a_run_and_a_machine_by_when_it_happened_and_by_when_it_was_known(furnished: Caller, told_late: Work) -> None:
    second = told_late.segments[1].knots[-1].isoformat().replace("+00:00", "Z")
    columns = sum(segment.end_column - segment.first_column for segment in told_late.segments[:2])
    for path, field in (("runs/spring", "printed"), ("machines/wren-1", "paper_position")):
        now = then(furnished, path, "")
        assert then(furnished, path, f"at={second}")[field] == columns < now[field]
        assert then(furnished, path, f"at={second}&known_by=2026-03-21T00:00:00Z")[field] == 0
        assert then(furnished, path, "known_by=2026-03-21T00:00:00Z")[field] == 0
        assert then(furnished, path, "at=2027-01-01T00:00:00Z&known_by=2027-01-01T00:00:00Z") == now
    assert then(furnished, "machines/wren-1", f"at={second}")["accepted_through"] == 2


def test_an_opening_that_was_moved(furnished: Caller, clock: HeldClock) -> None:
    before = then(furnished, "openings/first-night", "")
    clock.at += timedelta(hours=1)
    by = Attribution(actor="tests", request=None, said_at=wiring.now())
    append([Append("opening/first-night", None, [opening(venue="quay")])], by)
    now = then(furnished, "openings/first-night", "")
    assert now["opens_at"] != before["opens_at"]
    assert then(furnished, "openings/first-night", "known_by=2026-03-20T06:30:00Z") == before
    assert then(furnished, "openings/first-night", "at=2026-03-20T06:30:00Z") == before
    assert then(furnished, "openings/first-night", "at=2026-03-20T07:00:00Z") == now


@pytest.mark.parametrize("path", ["runs/spring", "machines/wren-1", "openings/first-night"])
def test_before_it_was_said_there_was_nothing(furnished: Caller, path: str) -> None:
    assert furnished.get(f"{path}?at=2026-03-20T05:59:59Z").status_code == 404
    assert furnished.get(f"{path}-x?at=2026-03-20T12:00:00Z").status_code == 404
    for query, field in (("at=Tuesday", "at"), ("known_by=2026-03-20T06:00:00", "known_by"), ("then=now", "then")):
        response = furnished.get(f"{path}?{query}")
        assert (response.status_code, response.json()["field"]) == (422, field)
