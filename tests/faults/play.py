"""A scenario as it happens: set up, let the faults strike and pass, wait until every column is accounted for."""

from __future__ import annotations

import subprocess
import time
from collections.abc import Callable
from pathlib import Path

import urllib3

from machines.clock import utc
from server.demo.processes import PATIENCE_S, DemoError, wait_for_server
from tests.faults.boards import enrol, make_board
from tests.faults.evidence import read_journal
from tests.faults.lane import Lane
from tests.faults.relay import TROUBLES
from tests.faults.scenario import Fault, Scenario
from tests.faults.stage import Act, Stage
from tests.faults.takeovers import TAKEOVERS

LOOK_EVERY_S = 0.05
# The limit is for a machine that is very busy, and is no promise.
ACCOUNTED_LIMIT_S = 90.0


def play(lane: Lane, scenario: Scenario, folder: Path) -> Stage:
    """Run a scenario to its end; nothing of it runs any more when this returns.

    Raises:
        DemoError: the run of faults itself cannot go on.
    """
    lane.relay.calm(scenario.seed)
    machine = lane.add_machine(scenario)
    board = make_board(lane, folder, "board", scenario.skew, folder / "paper")
    enrol(lane, board, machine)
    stage = Stage(lane, scenario, folder, machine, utc(lane.clock.now()), [board])
    try:
        board.power_on()
        _wait_until_heard(stage)
        stage.begins = lane.plan_run(scenario, machine)
        _happen(stage, acts(stage))
        lane.relay.calm(scenario.seed)
        wait_for_server(lane.studio.address, lane.server)
        _wait_until_accounted(stage)
    finally:
        _end(stage)
    return stage


def acts(stage: Stage) -> list[Act]:
    """What happens when, in order."""
    found = [act for fault in stage.scenario.faults for act in _acts_of(stage, fault)]
    if stage.scenario.armed_h is not None:
        found.append(Act(stage.scenario.armed_h, lambda: _arm(stage)))
    return sorted(found)


def _acts_of(stage: Stage, fault: Fault) -> list[Act]:
    relay = stage.lane.relay
    if fault.kind in TROUBLES:
        return _span(fault, lambda: relay.begin(fault.kind), lambda: relay.end(fault.kind))
    if fault.kind in ("server-killed", "server-gone"):
        return _span(fault, lambda: _server_off(stage), lambda: _server_on(stage))
    if fault.kind in TAKEOVERS:
        return TAKEOVERS[fault.kind](stage, fault)
    begin, end = SPANS.get(fault.kind, (_step_clock, None))
    first = Act(fault.at_h, lambda: begin(stage, fault))
    return [first] if end is None else [first, Act(fault.at_h + fault.lasts_h, lambda: end(stage))]


def _span(fault: Fault, begin: Callable[[], None], end: Callable[[], None]) -> list[Act]:
    return [Act(fault.at_h, begin), Act(fault.at_h + fault.lasts_h, end)]


# What begins and ends.

SPANS: dict[str, tuple[Callable[[Stage, Fault], None], Callable[[Stage], None]]] = {
    "node-killed": (lambda stage, fault: stage.board.power_off(), lambda stage: stage.board.power_on()),
    "node-stopped": (
        lambda stage, fault: stage.board.power_off(in_order=True),
        lambda stage: stage.board.power_on(),
    ),
    "card-full": (lambda stage, fault: stage.board.fill_card(), lambda stage: stage.board.clear_card()),
    "machine-jammed": (
        lambda stage, fault: (stage.board.trouble / "jam").touch(),
        lambda stage: (stage.board.trouble / "jam").unlink(missing_ok=True),
    ),
}


def _step_clock(stage: Stage, fault: Fault) -> None:
    file = stage.board.trouble / "clock-step"
    before = float(file.read_text()) if file.exists() else 0.0
    partial = file.with_suffix(".partial")
    partial.write_text(repr(before + float(fault.detail)))
    partial.rename(file)


def _server_off(stage: Stage) -> None:
    stage.server_off += 1
    if stage.server_off == 1:
        stage.lane.server.kill()


def _server_on(stage: Stage) -> None:
    stage.server_off -= 1
    if not stage.server_off:
        stage.lane.server.start()
        wait_for_server(stage.lane.studio.address, stage.lane.server)


def _arm(stage: Stage) -> None:
    """Somebody arms the knife; without an agent that answers it stays as it is."""
    process = subprocess.Popen(
        stage.board.command("arm", "--yes"),
        env=stage.board.child.environment,
        stdout=subprocess.DEVNULL,
        stderr=subprocess.DEVNULL,
    )
    stage.errands.append(process)


# The course of it.


def _happen(stage: Stage, pending: list[Act]) -> None:
    """Do each act at its time, one by one, until all are done and the run is over."""
    while pending or stage.hours() < stage.scenario.hours:
        now_h = stage.hours()
        due = next((act for act in pending if act.at_h <= now_h and (stage.reachable or not act.needs_server)), None)
        if due is not None:
            pending.remove(due)
            due.do()
            continue
        for board in (*stage.boards, *stage.clones):
            board.look()
        time.sleep(LOOK_EVERY_S)


def _wait_until_heard(stage: Stage) -> None:
    """Until the board's agent runs; on a busy machine it begins slowly, and a run that is over then tries nothing."""
    deadline = time.monotonic() + PATIENCE_S
    while stage.lane.studio.get(f"machines/{stage.machine}")["last_reported_at"] is None:
        if time.monotonic() > deadline:
            raise DemoError(f"the board does not begin: {stage.board.said()[-400:]!r}")
        time.sleep(LOOK_EVERY_S)


def _wait_until_accounted(stage: Stage) -> None:
    """Until the server has every column and the board knows it, or nothing more can be hoped for."""
    deadline = time.monotonic() + ACCOUNTED_LIMIT_S
    while time.monotonic() < deadline:
        for board in (*stage.boards, *stage.clones):
            board.look()
        row = stage.lane.studio.get(f"runs/{stage.machine}")
        accounted = row["printed"] + row["skipped"] + row["unknown"] == row["end_column"] - row["first_column"]
        board = stage.survivor
        told = accounted and all(accepted for _, accepted in read_journal(board.home))
        if told and (not stage.clones or _one_is_fenced(stage)):
            return
        if board.gave_up():
            stage.problems.append(f"the agent ended ({board.ended}) and needs a hand: {board.said()[-400:]!r}")
            return
        time.sleep(LOOK_EVERY_S)
    stage.problems.append(f"not every column was accounted for; the board said {stage.survivor.said()[-400:]!r}")


def _one_is_fenced(stage: Stage) -> bool:
    """Of a board and its copy; whichever it is, was told so and stopped."""
    return stage.board.fenced() != stage.clones[-1].fenced()


def _end(stage: Stage) -> None:
    """Nothing runs on, and the server is there."""
    for board in (*stage.boards, *stage.clones):
        try:
            if board.runs():
                board.power_off(in_order=True)
        except DemoError as error:
            stage.problems.append(str(error))
    for errand in stage.errands:
        errand.wait(PATIENCE_S)
    if stage.server_off:
        stage.server_off = 0
        stage.lane.server.start()
    stage.lane.relay.calm(stage.scenario.seed)
    try:
        wait_for_server(stage.lane.studio.address, stage.lane.server)
    except urllib3.exceptions.HTTPError as error:
        raise DemoError(f"the server did not come back: {error}") from error
