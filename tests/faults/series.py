"""Many scenarios, some at a time, each in a lane; progress, stories and the summary."""

from __future__ import annotations

import queue
import shutil
import statistics
import threading
import time
from collections import Counter
from collections.abc import Callable
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

from server.demo.processes import DemoError
from tests.faults.evidence import Evidence, gather, joined, read_what_lies
from tests.faults.judge import judge
from tests.faults.lane import PROFILES, Lane, open_lane
from tests.faults.play import play
from tests.faults.scenario import Scenario
from tests.faults.stage import Stage

# A lane's server is made anew after so many scenarios, so that its log does not grow without end.
SCENARIOS_OF_A_LANE = 25


@dataclass(frozen=True, kw_only=True)
class Result:
    """What became of a scenario.

    Attributes:
        problems: complaints, in words; none is good.
        columns: how many were planned, printed, unknown, skipped.
        took_s: real seconds.
        restarts: exit statuses of agents that ended by themselves.
    """

    scenario: Scenario
    problems: list[str]
    columns: dict[str, int]
    took_s: float
    restarts: list[int]


def evidence_of(stage: Stage) -> Evidence:
    """Of the board whose word the server takes."""
    board, paper = stage.survivor, read_what_lies(stage.board.paper)
    if board is not stage.board and stage.common is not None:
        paper = joined(paper, read_what_lies(board.paper), stage.common)
    return gather(stage.lane.studio, stage.machine, paper, board.home, PROFILES[stage.scenario.profile])


def play_and_judge(lane: Lane, scenario: Scenario) -> Result:
    """One scenario from beginning to end; its folder stays only where it broke.

    Raises:
        DemoError: the run of faults itself cannot go on.
    """
    began = time.monotonic()
    folder = lane.folder / f"seed-{scenario.seed}"
    stage = play(lane, scenario, folder)
    evidence = evidence_of(stage)
    problems = [*stage.problems, *_crashes(stage), *judge(evidence)]
    if not problems:
        shutil.rmtree(folder)
    run = evidence.run
    return Result(
        scenario=scenario,
        problems=problems,
        columns={"planned": run["end_column"] - run["first_column"]}
        | {name: run[name] for name in ("printed", "unknown", "skipped")},
        took_s=time.monotonic() - began,
        restarts=[status for board in stage.boards for status in board.ended],
    )


def _crashes(stage: Stage) -> list[str]:
    """An agent may end because its card is full, never by a fault of the program."""
    logs = [board.said() for board in (*stage.boards, *stage.clones)]
    last_lines = [log[log.index("Traceback") :].splitlines()[-1] for log in logs if "Traceback" in log]
    return [f"the agent broke: {line}" for line in last_lines]


@dataclass
class Series:
    """Scenarios to play, several at a time.

    Attributes:
        folder: of everything.
        scenarios: to play.
        lanes: how many at a time.
        tell_all: tell the story of every scenario, not only of those that broke.
        log_complaints: what the servers' logs themselves have to complain about.
        hits: how often the relays struck, by kind.
    """

    folder: Path
    scenarios: list[Scenario]
    lanes: int
    tell_all: bool = False
    log_complaints: list[str] = field(default_factory=list)
    hits: Counter[str] = field(default_factory=Counter)
    _results: list[Result] = field(default_factory=list)
    _lock: threading.Lock = field(default_factory=threading.Lock)

    def play(self, say: Callable[[str], None]) -> list[Result]:
        """Play all of them and return what became of each, in order of seeds.

        Raises:
            DemoError: a lane could not go on.
        """
        waiting: queue.SimpleQueue[Scenario] = queue.SimpleQueue()
        for scenario in self.scenarios:
            waiting.put(scenario)
        with ThreadPoolExecutor(self.lanes) as pool:
            done = [pool.submit(self._work, number, waiting, say) for number in range(self.lanes)]
            for one in done:
                one.result()
        return sorted(self._results, key=lambda result: result.scenario.seed)

    def _work(self, number: int, waiting: queue.SimpleQueue[Scenario], say: Callable[[str], None]) -> None:
        generation = 0
        while not waiting.empty():
            generation += 1
            with open_lane(self.folder / f"lane-{number}-{generation}") as lane:
                self._fill(lane, waiting, say)
                self._verify(lane)

    def _fill(self, lane: Lane, waiting: queue.SimpleQueue[Scenario], say: Callable[[str], None]) -> None:
        for _ in range(SCENARIOS_OF_A_LANE):
            try:
                scenario = waiting.get_nowait()
            except queue.Empty:
                return
            try:
                result = play_and_judge(lane, scenario)
            except DemoError as error:
                self._tell(_given_up(scenario, error), say)
                return  # the next ones get a lane of their own
            self._tell(result, say)

    def _tell(self, result: Result, say: Callable[[str], None]) -> None:
        with self._lock:
            self._results.append(result)
            say(_line(result, len(self._results), len(self.scenarios)))
            if result.problems or self.tell_all:
                say(_story(result))

    def _verify(self, lane: Lane) -> None:
        """The log's own checks, once a lane: unbroken, and its views the same when they are folded again."""
        with self._lock:
            self.hits += lane.relay.hits
        for command in ("verify", "rebuild"):
            try:
                lane.log_command(command)
            except DemoError as error:
                with self._lock:
                    self.log_complaints.append(f"{lane.folder.name}: {error}")


def _given_up(scenario: Scenario, error: DemoError) -> Result:
    """Of a scenario that could not be played: it counts as broken, and the others are played all the same."""
    columns = dict.fromkeys(("planned", "printed", "unknown", "skipped"), 0)
    return Result(scenario=scenario, problems=[f"not played: {error}"], columns=columns, took_s=0.0, restarts=[])


def _line(result: Result, number: int, count: int) -> str:
    verdict = "BROKEN" if result.problems else "kept  "
    kinds = " ".join(fault.kind for fault in result.scenario.faults)
    printed = f"{result.columns['printed']:3}/{result.columns['planned']:3} printed"
    head = f"[{number:4}/{count}] seed {result.scenario.seed:<5} {verdict} {result.took_s:5.1f} s  {printed}"
    return f"{head}  {result.scenario}  {kinds}"


def _story(result: Result) -> str:
    columns = ", ".join(f"{count} {name}" for name, count in result.columns.items())
    complaints = [f"        BROKEN {problem}" for problem in result.problems]
    return "\n".join(
        [*(f"        {line}" for line in result.scenario.story()), f"        columns: {columns}", *complaints]
    )


def summary(results: list[Result], log_complaints: list[str], took_s: float, hits: Counter[str]) -> dict[str, Any]:
    """The contents of `var/faults.json`."""
    broken = [result for result in results if result.problems]
    durations = [result.took_s for result in results]
    faults = Counter(fault.kind for result in results for fault in result.scenario.faults)
    in_scenarios = Counter(kind for result in results for kind in result.scenario.kinds)
    return {
        "scenarios": len(results),
        "broken": [result.scenario.seed for result in broken],
        "problems": {result.scenario.seed: result.problems for result in broken},
        "log": log_complaints,
        "faults": {kind: {"scenarios": in_scenarios[kind], "times": faults[kind]} for kind in sorted(faults)},
        "broken_by_kind": dict(Counter(kind for result in broken for kind in result.scenario.kinds)),
        "relay_struck": dict(hits),
        "agents_that_ended_by_themselves": dict(Counter(str(s) for result in results for s in result.restarts)),
        "columns": dict(sum((Counter(result.columns) for result in results), Counter())),
        "took_s": round(took_s, 1),
        "scenario_s": {
            "median": round(statistics.median(durations), 2),
            "longest": round(max(durations), 2),
        },
    }
