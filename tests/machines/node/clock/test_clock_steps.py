"""The server's clock is set while a machine prints: what is laid, and what is not."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path

import pytest

from machines.model.profile import Profile
from machines.node.sync.timekeeper import Timekeeper
from machines.protocol.journal_entries import ConditionsChanged, GapSettled
from tests.machines.node.relay import line_profile
from tests.machines.node.rig import HandClock, Rig, make_studio

COLUMN_S = 120.0


@dataclass
class Telling:
    """In place of the client: an answer about the time, at once, by a clock that may be set."""

    board: HandClock
    ahead_s: float = 0.0

    def clock(self) -> tuple[float, float]:
        return self.board.at + self.ahead_s, self.board.at + self.ahead_s


@dataclass
class Venue:
    """A machine that prints, and the server whose time it hears each minute."""

    node: Rig
    server: Telling
    keeper: Timekeeper

    def run_minutes(self, count: int) -> None:
        for _ in range(count):
            self.node.run_until(self.node.clock.at + 60.0)
            self.keeper.ask(self.server)  # type: ignore[arg-type]

    def laid(self) -> list[int]:
        return list(self.node.paper().laid["column"].tolist())


def printing(home: Path, profile: Profile | None = None) -> Venue:
    clock = HandClock()
    node = Rig(home, make_studio(clock, profile=profile), clock)
    node.fetch()
    server, keeper = Telling(clock), Timekeeper(clock, node.journal, "boot")
    keeper.ask(server)  # type: ignore[arg-type]
    node._server_time = keeper.estimate  # type: ignore[method-assign]
    node.start()
    venue = Venue(node, server, keeper)
    venue.run_minutes(60)
    return venue


@pytest.mark.parametrize("step_s", [-6.0, -0.5, -0.1, 0.1, 0.2, 0.5, 6.0])
def test_a_step_that_fits_the_tolerance_costs_no_column(tmp_path: Path, step_s: float) -> None:
    """To 60 s, half a column. What is followed comes to the server's new time at once, when that is believed."""
    venue = printing(tmp_path)
    venue.server.ahead_s = step_s
    venue.run_minutes(60)
    assert venue.laid() == list(range(60))
    assert venue.node.entries(GapSettled) == venue.node.entries(ConditionsChanged) == []
    estimate = venue.keeper.estimate()
    assert estimate is not None
    assert estimate.now == pytest.approx(venue.node.clock.at + step_s, abs=0.01)


def test_there_and_back_costs_no_column(tmp_path: Path) -> None:
    venue = printing(tmp_path)
    for ahead_s in (6.0, 0.0, -6.0, 0.0):
        venue.server.ahead_s = ahead_s
        venue.run_minutes(10)
    venue.run_minutes(20)
    assert venue.laid() == list(range(60))
    assert venue.node.entries(GapSettled) == []


def test_a_fine_column_of_15_s_goes_on_over_half_a_second(tmp_path: Path) -> None:
    """Half a column is 7.5 s there; an eighth of one of these columns of two minutes stands for it."""
    venue = printing(tmp_path, line_profile(clock_tolerance_dots=7.5 / COLUMN_S))
    venue.server.ahead_s = 0.5
    venue.run_minutes(60)
    assert venue.laid() == list(range(60))


@pytest.mark.parametrize("step_s", [61.0, 600.0, -600.0])
def test_a_step_beyond_the_tolerance_stops_it_for_a_quarter_of_an_hour(tmp_path: Path, step_s: float) -> None:
    venue = printing(tmp_path)
    assert venue.laid()[-1] == 29
    venue.server.ahead_s = step_s
    venue.run_minutes(15)
    assert venue.laid()[-1] == 29, "nothing is laid by either time"
    venue.run_minutes(30)
    columns = venue.laid()
    assert len(set(columns)) == len(columns)
    assert columns == sorted(columns)
    due = venue.node.studio.column_at(venue.node.clock.at + step_s)
    assert columns[-1] in (due - 1, due)
    assert [entry.keywords for entry in venue.node.entries(ConditionsChanged)] == [("other-error",), ()]
