"""A series goes on after a scenario that could not be played."""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

import pytest

from server.demo.processes import DemoError
from tests.faults import series
from tests.faults.lane import Lane
from tests.faults.scenario import Scenario, draw
from tests.faults.series import Result, Series, summary


def kept(lane: Lane, scenario: Scenario) -> Result:
    return Result(scenario=scenario, problems=[], columns={"planned": 1, "printed": 1}, took_s=1.0, restarts=[])


def refusing(times: int) -> tuple[list[Path], object]:
    """What opens lanes, but not before so many attempts; and the attempts."""
    tried: list[Path] = []

    @contextmanager
    def open_lane(folder: Path) -> Iterator[object]:
        tried.append(folder)
        if len(tried) <= times:
            raise DemoError("-m server studio-key faults did not end within 30 s")
        yield object()

    return tried, open_lane


def test_what_could_not_be_played_is_broken_and_the_next_has_a_lane_of_its_own(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    tried, open_lane = refusing(0)

    def play_and_judge(lane: Lane, scenario: Scenario) -> Result:
        if scenario.seed == 1:
            raise DemoError("the power is gone here too")
        return Result(scenario=scenario, problems=[], columns={"planned": 1, "printed": 1}, took_s=1.0, restarts=[])

    monkeypatch.setattr(series, "open_lane", open_lane)
    monkeypatch.setattr(series, "play_and_judge", play_and_judge)
    monkeypatch.setattr(Series, "_verify", lambda self, lane: None)
    said: list[str] = []
    first, second = Series(tmp_path, [draw(1), draw(2)], 1).play(said.append)
    assert (first.problems, second.problems) == (["not played: the power is gone here too"], [])
    assert [folder.name for folder in tried] == ["lane-0-1", "lane-0-2"]
    assert any("BROKEN not played" in line for line in said)


def test_a_lane_that_cannot_open_is_opened_again_and_what_waits_is_played(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    tried, open_lane = refusing(2)
    monkeypatch.setattr(series, "open_lane", open_lane)
    monkeypatch.setattr(series, "play_and_judge", kept)
    monkeypatch.setattr(Series, "_verify", lambda self, lane: None)
    said: list[str] = []
    results = Series(tmp_path, [draw(1), draw(2)], 1).play(said.append)
    assert [result.problems for result in results] == [[], []]
    assert [folder.name for folder in tried] == ["lane-0-1", "lane-0-2", "lane-0-3"]
    assert "lane 0-1 is given up: -m server studio-key faults did not end within 30 s" in said


def test_where_no_lane_opens_all_that_waits_is_broken_and_what_was_played_is_kept(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    tried, open_lane = refusing(100)
    monkeypatch.setattr(series, "open_lane", open_lane)
    one = Series(tmp_path, [draw(1), draw(2)], 1)
    results = one.play(lambda text: None)
    assert [result.problems for result in results] == [["not played: no lane could be opened"]] * 2
    assert len(tried) == 3
    assert summary(results, [], 1.0, one.hits)["broken"] == [1, 2]


def test_a_fault_of_the_runner_itself_is_told_as_such(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    def lost(lane: Lane, scenario: Scenario) -> Result:
        raise KeyError("judge")

    _, open_lane = refusing(0)
    monkeypatch.setattr(series, "open_lane", open_lane)
    monkeypatch.setattr(series, "play_and_judge", lost)
    monkeypatch.setattr(Series, "_verify", lambda self, lane: None)
    (result,) = Series(tmp_path, [draw(1)], 1).play(lambda text: None)
    assert "KeyError: 'judge'" in result.problems[0]


def test_a_summary_of_nothing_played_can_be_written() -> None:
    assert summary([], [], 0.0, Counter())["scenario_s"] == {"median": None, "longest": None}
