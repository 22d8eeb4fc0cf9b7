"""Many scenarios, some at a time, each in a lane; progress, stories and the summary."""

from __future__ import annotations

import queue
import shutil
import statistics
import threading
import time
import traceback
from collections import Counter
from collections.abc import Callable
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

import urllib3

from server.demo.judging.judge import judge
from server.demo.processes import DemoError
from tests.faults.gathering import evidence_of
from tests.faults.lane import Lane, open_lane
from tests.faults.play import play
from tests.faults.scenario import Scenario
from tests.faults.stage import Stage

# How an agent may end by itself, by what was played.
MAY_END = {"card-full": 5, "card-read-only": 5, "node-cloned": 4, "wal-lost": 4, "journal-damaged": 2}
# So often a lane is tried in vain, one after another, before what is still waiting is given up.
OPENINGS_TRIED = 3
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


def play_and_judge(lane: Lane, scenario: Scenario) -> Result:
    """One scenario from beginning to end; its folder stays only where it broke.

    Raises:
        DemoError: the run of faults itself cannot go on.
    """
    folder = lane.folder / f"seed-{scenario.seed}"
    result, _ = judged(lane, scenario, folder)
    if not result.problems:
        shutil.rmtree(folder)
    return result


def judged(lane: Lane, scenario: Scenario, folder: Path) -> tuple[Result, Stage]:
    """One scenario from beginning to end, in an empty folder; and what it has left.

    Raises:
        DemoError: the run of faults itself cannot go on.
    """
    began = time.monotonic()
    stage = play(lane, scenario, folder)
    return verdict(stage, began), stage


def verdict(stage: Stage, began_s: float) -> Result:
    """What became of a scenario that was played, since a second of the monotonic clock."""
    problems, columns = list[str](), Counter[str]()
    for number, one in enumerate(stage.together):
        evidence = evidence_of(one)
        found = [*one.problems, *ended_by_themselves(one), *judge(evidence)]
        problems += [f"beside it, {number}: {problem}" for problem in found] if number else found
        columns["planned"] += len(evidence.planned)
        for name in ("printed", "unknown", "skipped"):
            columns[name] += sum(run[name] for run in evidence.runs)
    return Result(
        scenario=stage.scenario,
        problems=[*problems, *_views(stage)],
        columns=dict(columns),
        took_s=time.monotonic() - began_s,
        restarts=[status for one in stage.together for board in one.boards for status in board.ended],
    )


def ended_by_themselves(stage: Stage) -> list[str]:
    """An agent may end because its card is full, or because it is fenced off or has lost what it was enrolled by; never
    by a fault of the program."""
    boards = (*stage.boards, *stage.clones)
    logs = [board.said() for board in boards]
    last_lines = [_exception(log) for log in logs if "Traceback" in log]
    allowed = {status for kind, status in MAY_END.items() if kind in stage.scenario.kinds}
    statuses = sorted({status for board in boards for status in board.ended} - allowed)
    return [
        *(f"the agent broke: {line}" for line in last_lines),
        *(f"an agent ended by itself with {status}" for status in statuses),
    ]


def _exception(log: str) -> str:
    """What was raised, of the last traceback in a log: the first line after it that stands at the margin."""
    lines = log[log.rindex("Traceback") :].splitlines()[1:]
    return next((line for line in lines if line and not line.startswith(" ")), "cut off")


def _views(stage: Stage) -> list[str]:
    """No view of the server is set aside."""
    studio = stage.lane.studio
    answer = studio.pool.request("GET", f"{studio.address}/readyz")
    return [] if answer.status == 200 else [f"the server says: {answer.data.decode(errors='replace')}"]


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
        """Play all of them and return what became of each, in order of seeds. A lane that cannot open is opened again;
        what no lane could be opened for counts as broken."""
        waiting: queue.SimpleQueue[Scenario] = queue.SimpleQueue()
        for scenario in self.scenarios:
            waiting.put(scenario)
        with ThreadPoolExecutor(self.lanes) as pool:
            done = [pool.submit(self._work, number, waiting, say) for number in range(self.lanes)]
            for one in done:
                one.result()
        while not waiting.empty():
            self._tell(given_up(waiting.get_nowait(), DemoError("no lane could be opened")), say)
        return self.results

    @property
    def results(self) -> list[Result]:
        """What became of those that were played so far, in order of seeds."""
        return sorted(self._results, key=lambda result: result.scenario.seed)

    def _work(self, number: int, waiting: queue.SimpleQueue[Scenario], say: Callable[[str], None]) -> None:
        generation = in_vain = 0
        while not waiting.empty() and in_vain < OPENINGS_TRIED:
            generation += 1
            in_vain += 1
            try:
                with open_lane(self.folder / f"lane-{number}-{generation}") as lane:
                    in_vain = 0
                    self._fill(lane, waiting, say)
                    self._verify(lane)
            except (DemoError, OSError, urllib3.exceptions.HTTPError) as error:
                say(f"lane {number}-{generation} is given up: {error}")

    def _fill(self, lane: Lane, waiting: queue.SimpleQueue[Scenario], say: Callable[[str], None]) -> None:
        for _ in range(SCENARIOS_OF_A_LANE):
            try:
                scenario = waiting.get_nowait()
            except queue.Empty:
                return
            try:
                result = play_and_judge(lane, scenario)
            except Exception as error:  # noqa: BLE001 - whatever it is, what was played before it is kept, and told
                self._tell(given_up(scenario, error), say)
                return  # the next ones get a lane of their own
            self._tell(result, say)

    def _tell(self, result: Result, say: Callable[[str], None]) -> None:
        with self._lock:
            self._results.append(result)
            say(line(result, f"{len(self._results)}/{len(self.scenarios)}"))
            if result.problems or self.tell_all:
                say(story(result))

    def _verify(self, lane: Lane) -> None:
        """The log's own checks, once a lane: unbroken, and its views the same when they are folded again."""
        with self._lock:
            self.hits += lane.relay.hits
        for command in ("verify", "rebuild"):
            try:
                lane.command("log", command)
            except DemoError as error:
                with self._lock:
                    self.log_complaints.append(f"{lane.folder.name}: {error}")


def given_up(scenario: Scenario, error: Exception) -> Result:
    """Of a scenario that could not be played: it counts as broken, and the others are played all the same."""
    said = f"{error}" if isinstance(error, DemoError) else "".join(traceback.format_exception(error))
    columns = dict.fromkeys(("planned", "printed", "unknown", "skipped"), 0)
    return Result(scenario=scenario, problems=[f"not played: {said}"], columns=columns, took_s=0.0, restarts=[])


def line(result: Result, number: str) -> str:
    """A line about a scenario that was played; ``number`` says how many were, of how many."""
    verdict = "BROKEN" if result.problems else "kept  "
    kinds = " ".join(fault.kind for fault in result.scenario.faults)
    printed = f"{result.columns['printed']:3}/{result.columns['planned']:3} printed"
    head = f"[{number:>9}] seed {result.scenario.seed:<5} {verdict} {result.took_s:5.1f} s  {printed}"
    return f"{head}  {result.scenario}  {kinds}"


def story(result: Result) -> str:
    """What went wrong in it, and what there is to complain of."""
    columns = ", ".join(f"{count} {name}" for name, count in result.columns.items())
    complaints = [f"        BROKEN {problem}" for problem in result.problems]
    return "\n".join(
        [*(f"        {told}" for told in result.scenario.story()), f"        columns: {columns}", *complaints]
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
            "median": round(statistics.median(durations), 2) if durations else None,
            "longest": round(max(durations), 2) if durations else None,
        },
    }
