"""A studio, a server and a board beside its machine, for tests of runs that people change: from what is said at the API
to what lies on the paper."""

from __future__ import annotations

import json
from collections import Counter
from collections.abc import Iterator
from contextlib import ExitStack
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import pytest

from scheduling.log.models import Machine, Notice, Run, Segment
from scheduling.log.rebuilding.rebuild import rebuild
from server import jobs
from tests.server.board import Board, later, served
from tests.server.studio import BEGINS, IN_ORDER, RUN, Caller, HeldClock


def span(hour: float, hours: float = 2.0) -> dict[str, str]:
    begins = later(BEGINS, hour)
    return {"starts_at": begins.isoformat(), "ends_at": later(begins, hours).isoformat()}


@dataclass
class House:
    """A studio, a server, and a board beside its machine.

    Attributes:
        studio: somebody of it.
        board: its agent runs.
        clock: of both.
    """

    studio: Caller
    board: Board
    clock: HeldClock

    def plan(self, id: str, hour: float, hours: float = 2.0, **said: Any) -> None:
        self.studio.create("runs", RUN | span(hour, hours) | {"id": id, "segments_per_turn": 96} | said)
        jobs.extend()

    def row(self, run: str) -> Any:
        return self.studio.get(f"runs/{run}").json()

    def act(self, run: str, name: str, body: Any, query: str = "?accept=true") -> Any:
        tag = self.studio.get(f"runs/{run}").headers["ETag"]
        answer = self.studio.post(f"runs/{run}/{name}{query}", body, HTTP_IF_MATCH=tag)
        assert answer.status_code == 200, answer.content
        return answer.json()

    def change(self, run: str, body: Any) -> Any:
        match = {"HTTP_IF_MATCH": self.studio.get(f"runs/{run}").headers["ETag"]}
        said = {"data": json.dumps(body), "content_type": "application/json"}
        answer = self.studio.other("PATCH", f"runs/{run}?accept=true", **said, **match)
        assert answer.status_code == 200, answer.content
        jobs.extend()
        return answer.json()

    def go_on(self, hours: float) -> None:
        self.board.run_until(later(self.clock.at, hours))

    def go_on_alone(self, hours: float) -> None:
        """No network."""
        instant = later(self.clock.at, hours)
        while self.clock.at < instant:
            if (wait_s := self.board._printer.step()) > 0:
                self.clock.sleep(max(min(wait_s, (instant - self.clock.at).total_seconds()), 0.001))


@pytest.fixture
def house(studio: Caller, clock: HeldClock, tmp_path: Path) -> Iterator[House]:
    with ExitStack() as stack:
        address = stack.enter_context(served())
        for resource, body in IN_ORDER[:4]:
            studio.create(resource, body)
        board = Board(tmp_path / "board", clock)
        stack.callback(board.cut_power)
        board.enrol(address, studio.post("machines/wren-1/enrolment").json()["code"])
        board.start()
        yield House(studio, board, clock)


def views() -> list[Any]:
    return [list(model.objects.order_by("pk").values()) for model in (Run, Segment, Machine, Notice)]


def columns(row: dict[str, int]) -> list[int]:
    return list(range(row["first_column"], row["end_column"]))


def require_settled(house: House) -> None:
    """No column lies twice, and views that are folded anew are as they were."""
    assert not [column for column, count in Counter(house.board.laid()).items() if count > 1]
    live = views()
    rebuild()
    assert views() == live
