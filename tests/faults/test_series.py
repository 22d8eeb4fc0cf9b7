"""A series goes on after a scenario that could not be played."""

from __future__ import annotations

from pathlib import Path

import pytest

from server.demo.processes import DemoError
from tests.faults import series
from tests.faults.lane import Lane
from tests.faults.scenario import Scenario, draw
from tests.faults.series import Result, Series


def test_what_could_not_be_played_is_broken_and_the_next_has_a_lane_of_its_own(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    lanes = []

    def play_and_judge(lane: Lane, scenario: Scenario) -> Result:
        lanes.append(lane.folder.name)
        if scenario.seed == 1:
            raise DemoError("the power is gone here too")
        return Result(scenario=scenario, problems=[], columns={"planned": 1, "printed": 1}, took_s=1.0, restarts=[])

    monkeypatch.setattr(series, "play_and_judge", play_and_judge)
    said: list[str] = []
    first, second = Series(tmp_path, [draw(1), draw(2)], 1).play(said.append)
    assert (first.problems, second.problems) == (["not played: the power is gone here too"], [])
    assert lanes == ["lane-0-1", "lane-0-2"]
    assert any("BROKEN not played" in line for line in said)
