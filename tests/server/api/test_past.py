"""Runs, machines and openings as they were, by when it happened and by when it was known."""

from __future__ import annotations

from datetime import timedelta
from typing import Any

import pytest

from machines.protocol.journal_entries import ConditionsChanged, GapSettled
from machines.protocol.messages import Reports, Work, pace
from machines.recovery import Gap, Policy, settle
from scheduling.log.store import Append, Attribution, append
from server import wiring
from tests.scheduling.log.facts import opening
from tests.server.studio import OPENING, Caller, HeldClock, printed


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


def without_board(row: dict[str, Any]) -> dict[str, Any]:
    """What a board says with each poll is in no log: it is told of now alone."""
    return {name: value for name, value in row.items() if name != "board"}


def test_a_run_and_a_machine_by_when_it_happened_and_by_when_it_was_known(furnished: Caller, told_late: Work) -> None:
    second = told_late.segments[1].knots[-1].isoformat().replace("+00:00", "Z")
    columns = sum(segment.end_column - segment.first_column for segment in told_late.segments[:2])
    for path, field in (("runs/spring", "printed"), ("machines/wren-1", "paper_position")):
        now = then(furnished, path, "")
        assert then(furnished, path, f"at={second}")[field] == columns < now[field]
        assert then(furnished, path, f"at={second}&known_by=2026-03-21T00:00:00Z")[field] == 0
        assert then(furnished, path, "known_by=2026-03-21T00:00:00Z")[field] == 0
        known = then(furnished, path, "at=2027-01-01T00:00:00Z&known_by=2027-01-01T00:00:00Z")
        assert without_board(known) == without_board(now)
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


LISTS = ("runs", "machines", "openings", "outages", "notices", "runs/spring/segments")
KEYS = {"runs/spring/segments": "number"}


def every_page(caller: Caller, path: str, query: str, limit: int) -> list[dict[str, Any]]:
    """All rows of a list, so many a page; no page is empty but the only one, and none is longer."""
    rows, cursor = [], ""
    while True:
        page = then(caller, path, f"{query}&limit={limit}{cursor}")
        assert len(page["results"]) == limit if page["next"] else len(page["results"]) <= limit
        rows += page["results"]
        if page["next"] is None:
            return rows
        cursor = f"&cursor={page['next']}"


@pytest.fixture
def eventful(told_late: Work, node: Caller, furnished: Caller, clock: HeldClock) -> Work:
    """A second opening, an outage and what the machine said of itself, all told on Sunday."""
    furnished.create("openings", OPENING | {"id": "last-night"})
    work = told_late
    assert work.run is not None
    first = work.segments[3].first_column
    lost = Gap(first=first, unknown_end=first + 2, end=first + 9, cause="power", noticed_at=work.segments[3].knots[-1])
    settled = GapSettled(
        seq=4,
        at=lost.noticed_at,
        run=work.run.id,
        gap=lost,
        policy=Policy(kind="skip"),
        decision=settle(Policy(kind="skip"), lost, pace(work.profile, work.run)),
        paper_position=first - work.run.first_column,
    )
    changed = ConditionsChanged(seq=5, at=lost.noticed_at, keywords=("media-low", "cover-open"))
    reports = Reports(epoch=1, entries=(settled, changed))
    assert node.post("node/reports", reports.as_json()).status_code == 200
    return work


@pytest.mark.parametrize("path", LISTS)
def test_a_list_at_the_end_of_time_is_the_list_of_now(furnished: Caller, eventful: Work, path: str) -> None:
    now = [*map(without_board, every_page(furnished, path, "", 100))]
    assert now
    for limit in (1, 2, 100):
        assert [*map(without_board, every_page(furnished, path, "at=2027-01-01T00:00:00Z", limit))] == now
        assert [*map(without_board, every_page(furnished, path, "known_by=2027-01-01T00:00:00Z", limit))] == now


@pytest.mark.parametrize("path", LISTS)
def test_a_list_by_when_it_happened_and_by_when_it_was_known(furnished: Caller, eventful: Work, path: str) -> None:
    """All that the node told happened on Friday and was told on Sunday."""
    key = KEYS.get(path, "id")
    friday = every_page(furnished, path, "known_by=2026-03-21T00:00:00Z", 2)
    by_then = every_page(furnished, path, "at=2026-03-22T00:00:00Z", 2)
    both = every_page(furnished, path, "at=2026-03-22T00:00:00Z&known_by=2026-03-21T00:00:00Z", 2)
    assert both == friday
    for rows in (friday, by_then):
        assert [row[key] for row in rows] == sorted(row[key] for row in rows)
    if path in ("outages", "notices"):
        assert friday == []
        assert by_then == every_page(furnished, path, "", 2)
    elif path == "openings":
        assert [row["id"] for row in friday] == ["first-night"] == [row["id"] for row in by_then]
    else:
        field = "paper_position" if path == "machines" else "printed"
        assert sum(row[field] for row in friday) == 0
        assert sum(row[field] for row in by_then) > 0
        assert [row[key] for row in friday] == [row[key] for row in by_then]


def test_pages_of_what_was_known_stay_what_they_were_whatever_is_told_meanwhile(
    furnished: Caller, node: Caller, told_late: Work, clock: HeldClock
) -> None:
    query = f"known_by={wiring.now().isoformat().replace('+00:00', 'Z')}&limit=2"
    first = then(furnished, "runs/spring/segments", query)
    before = then(furnished, "runs/spring/segments", f"{query}&cursor={first['next']}")
    clock.at += timedelta(minutes=1)
    assert node.post("node/reports", {"epoch": 1, "entries": [printed(told_late, 4)]}).status_code == 200
    assert then(furnished, "runs/spring/segments", query) == first
    assert then(furnished, "runs/spring/segments", f"{query}&cursor={first['next']}") == before
    assert before["results"][1]["printed"] == 0
    later = then(furnished, "runs/spring/segments", f"at=2027-01-01T00:00:00Z&limit=2&cursor={first['next']}")
    assert later["results"][1]["printed"] > 0


@pytest.mark.parametrize("path", LISTS)
def test_before_anything_was_said_lists_are_empty(furnished: Caller, path: str) -> None:
    response = furnished.get(f"{path}?at=2026-03-20T05:59:59Z")
    if path == "runs/spring/segments":
        assert response.status_code == 404
    else:
        assert (response.status_code, response.json()) == (200, {"results": [], "next": None})
    for query, field in (
        ("at=Tuesday", "at"),
        ("known_by=soon", "known_by"),
        ("cursor=odd&at=2026-03-21T00:00:00Z", "cursor"),
    ):
        told = furnished.get(f"{path}?{query}")
        assert (told.status_code, told.json()["field"]) == (422, field)
