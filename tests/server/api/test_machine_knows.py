"""Whether the machine knows what was said of its run: of each run and each change, and in few queries."""

from __future__ import annotations

from typing import Any

import pytest
from django.db import connection
from django.test import Client
from django.test.utils import CaptureQueriesContext

from tests.server.api.test_ended_runs import LATER, end
from tests.server.api.test_withdrawn_runs import PATH, tell, work
from tests.server.studio import RUN, Caller, HeldClock

HELD = "Wren 1 was last heard on 2026-03-20 06:00; it holds work until 2026-03-22 12:00"


@pytest.fixture
def status(node: Caller) -> dict[str, Any]:
    """As the node says that it is, which holds two days of the run as it was planned."""
    return {
        "at": "2026-03-20T06:00:00Z",
        "next_column": work(node).segments[0].first_column,
        "paper_position": 0,
        "clock_error_s": 0.1,
        "knife_armed": False,
        "held_until": "2026-03-22T12:00:00Z",
        "held_run": "spring",
        "held_revision": 1,
    }


def board(studio: Caller) -> Any:
    return studio.get(PATH).json()["board"]


def known(studio: Caller) -> list[bool | None]:
    return [step["machine_knows"] for step in studio.get(f"{PATH}/history").json()["steps"]]


def test_a_board_that_was_never_heard_is_said_to_be_so(furnished: Caller) -> None:
    never = "Wren 1 was never heard, and holds none of it."
    assert board(furnished) == {"knows": None, "heard_at": None, "holds_until": None, "in_words": never}
    assert known(furnished) == [None]


def test_until_it_is_heard_it_prints_by_the_plan_before(furnished: Caller, node: Caller, status: Any) -> None:
    tell(node, status=status)
    assert board(furnished) == {
        "knows": True,
        "heard_at": "2026-03-20T06:00:00.000000Z",
        "holds_until": "2026-03-22T12:00:00.000000Z",
        "in_words": f"{HELD}, and knows all that was said of it so far.",
    }
    end(furnished, LATER)
    behind = board(furnished)
    assert (behind["knows"], behind["holds_until"]) == (False, "2026-03-22T12:00:00.000000Z")
    assert behind["in_words"] == f"{HELD} by the plan before: it has not heard of the newest change."
    assert known(furnished) == [True, False]
    assert behind["in_words"] in Client().get("/").content.decode()
    tell(node, status=status | {"held_revision": 2})
    assert board(furnished)["knows"] is True
    assert "Changed since" not in Client().get("/").content.decode()
    assert known(furnished) == [True, True]
    assert furnished.get(f"{PATH}/history").json()["board"] == board(furnished)


def test_an_older_board_does_not_say(furnished: Caller, node: Caller, status: Any) -> None:
    tell(node, status={name: value for name, value in status.items() if name not in ("held_run", "held_revision")})
    assert board(furnished)["knows"] is None
    assert board(furnished)["in_words"] == f"{HELD}."


def test_a_board_on_another_run_holds_none_of_it(furnished: Caller, node: Caller, status: Any) -> None:
    tell(node, status=status | {"held_run": "other"})
    none = "Wren 1 was last heard on 2026-03-20 06:00, and holds none of it."
    assert (board(furnished)["knows"], board(furnished)["in_words"]) == (None, none)


def test_a_board_that_has_let_go_of_a_withdrawn_run_knows(
    furnished: Caller, node: Caller, clock: HeldClock, status: Any
) -> None:
    tell(node, status=status)
    furnished.post(f"{PATH}/withdraw?accept=true", {}, HTTP_IF_MATCH="*")
    assert board(furnished)["knows"] is False
    clock.sleep(60.0)
    let_go = status | {"held_until": None, "held_run": None, "held_revision": None, "next_column": None}
    tell(node, status=let_go)
    assert board(furnished)["knows"] is None, "as it was before it could have heard"
    tell(node, status=let_go | {"at": "2026-03-20T06:01:00Z"})
    assert (board(furnished)["knows"], known(furnished)) == (True, [True, True])


def test_of_a_run_as_it_was_nothing_is_told(furnished: Caller) -> None:
    assert furnished.get(f"{PATH}?at=2026-03-21T00:00:00Z").json()["board"] is None
    (row,) = furnished.get("runs?at=2026-03-21T00:00:00Z").json()["results"]
    assert row["board"] is None


def test_what_a_board_tells_is_no_reason_to_look_again(furnished: Caller, node: Caller, status: Any) -> None:
    tag = furnished.get(PATH).headers["ETag"]
    tell(node, status=status)
    assert furnished.get(PATH).headers["ETag"] != tag
    assert furnished.post(f"{PATH}/end", LATER, HTTP_IF_MATCH=tag).status_code == 200


def test_many_runs_are_asked_for_as_often_as_one(furnished: Caller) -> None:
    of_one = _asked(furnished)
    for number in range(1, 7):
        span = {"starts_at": f"2026-04-0{number}T12:00:00Z", "ends_at": f"2026-04-0{number}T18:00:00Z"}
        furnished.create("runs", RUN | {"id": f"april-{number}"} | span)
    assert _asked(furnished) == of_one == 4


def _asked(studio: Caller) -> int:
    assert studio.get("runs").status_code == 200  # and notes that the key was used
    with CaptureQueriesContext(connection) as queries:
        assert studio.get("runs").status_code == 200
    return len(queries)
