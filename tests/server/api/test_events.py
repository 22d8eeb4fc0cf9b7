"""The log by the API: filtered, in pages that stay what they are while others write."""

from __future__ import annotations

import threading
from datetime import timedelta
from typing import Any

import pytest
from django.db import connections

from machines.protocol.messages import Work
from scheduling.log.store import Append, Attribution, append
from server import wiring
from tests.scheduling.log.facts import venue
from tests.server.keys import new_key
from tests.server.studio import BEGINS, Caller, HeldClock, printed


def listed(caller: Caller, query: str, limit: int = 1000) -> list[dict[str, Any]]:
    """All events that a query asks for, page by page."""
    rows: list[dict[str, Any]] = []
    cursor = ""
    while True:
        response = caller.get(f"events?limit={limit}{query}{cursor}")
        assert response.status_code == 200, response.content
        page = response.json()
        rows += page["results"]
        if page["next"] is None:
            return rows
        cursor = f"&cursor={page['next']}"


@pytest.fixture
def told(node: Caller, furnished: Caller, clock: HeldClock) -> Caller:
    """The studio, after a node that was cut off told two days late what it had printed."""
    work = Work.from_json(node.get("node/work").json())
    clock.at += timedelta(days=2)
    node.post("node/reports", {"epoch": 1, "entries": [printed(work, seq) for seq in range(1, 4)]})
    return furnished


def instant(days: float) -> str:
    return (BEGINS + timedelta(days=days)).isoformat().replace("+00:00", "Z")


CONDITIONS: dict[str, Any] = {
    "&stream=machine/wren-1": lambda event: event["stream"] == "machine/wren-1",
    "&kind=columns-printed": lambda event: event["kind"] == "columns-printed",
    "&machine=wren-1": lambda event: event["stream"] in ("machine/wren-1", "run/spring"),
    "&run=spring": lambda event: event["stream"] == "run/spring" or event["data"].get("run") == "spring",
    f"&happened_from={instant(0.3)}": lambda event: event["happened_at"] >= instant(0.3),
    f"&happened_to={instant(0.3)}": lambda event: event["happened_at"] < instant(0.3),
    f"&said_from={instant(1)}": lambda event: event["said_at"] >= instant(1),
    f"&said_to={instant(1)}": lambda event: event["said_at"] < instant(1),
    f"&run=spring&happened_to={instant(1)}&said_from={instant(1)}": lambda event: event["kind"] == "columns-printed",
}


@pytest.mark.parametrize("query", CONDITIONS)
def test_a_filter_gives_what_meets_it_and_nothing_else(told: Caller, query: str) -> None:
    everything = listed(told, "")
    wanted = [event for event in everything if CONDITIONS[query](event)]
    assert 0 < len(wanted) < len(everything)
    assert listed(told, query) == wanted
    assert listed(told, query, limit=2) == wanted


@pytest.mark.parametrize(
    ("query", "field"),
    [
        ("machine=Wren", "machine"),
        ("run=a/b", "run"),
        ("happened_from=yesterday", "happened_from"),
        ("happened_to=2026-03-20T06:00:00", "happened_to"),
        ("said_from=0", "said_from"),
        ("said_to=", "said_to"),
    ],
)
def test_a_condition_that_cannot_be_read_is_named(studio: Caller, query: str, field: str) -> None:
    response = studio.get(f"events?{query}")
    assert (response.status_code, response.json()["field"]) == (422, field)


def test_of_what_is_not_there_there_is_nothing(told: Caller) -> None:
    assert listed(told, "&machine=unheard-of") == listed(told, "&run=unheard-of") == []


@pytest.mark.django_db(transaction=True)
def test_pages_neither_repeat_nor_hide_an_event_while_others_append() -> None:
    """Two writers append all the while that a reader pages; he reads on until he has seen all that they wrote."""
    studio, written = Caller(new_key("tests")), 40

    def write(name: str) -> None:
        try:
            for number in range(written):
                by = Attribution(actor=name, request=None, said_at=wiring.now())
                append([Append(f"venue/{name}-{number}", 0, [venue(), venue()])], by)
        finally:
            connections.close_all()

    writers = [threading.Thread(target=write, args=(name,)) for name in ("a", "b")]
    for writer in writers:
        writer.start()
    positions: list[int] = []
    cursor, pages_meanwhile = "", 0
    while True:
        writing = any(writer.is_alive() for writer in writers)
        page = studio.get(f"events?limit=3{cursor}").json()
        if page["next"] is None and writing:  # the last page for now; more may come onto it
            continue
        positions += [event["position"] for event in page["results"]]
        pages_meanwhile += writing
        if page["next"] is None:
            break
        cursor = f"&cursor={page['next']}"
    for writer in writers:
        writer.join()
    assert pages_meanwhile > 0
    assert positions == list(range(1, 1 + 2 * 2 * written + 1))  # the key's own first
