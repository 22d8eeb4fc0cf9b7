"""A scenario as it happens: set up, let the faults strike and pass, wait until every column is accounted for."""

from __future__ import annotations

import sqlite3
from collections.abc import Sequence
from contextlib import closing
from pathlib import Path

import urllib3

from machines.clock import utc
from machines.node.store.journal import FILE_NAME
from server.demo.judging.gathering import read_journal
from server.demo.processes import PATIENCE_S, DemoError
from tests.faults.acts import acts
from tests.faults.boards import Board, begun, enrol, make_board
from tests.faults.lane import Lane
from tests.faults.people import tend
from tests.faults.planning import plan_first
from tests.faults.scenario import Scenario
from tests.faults.stage import Act, Stage

LOOK_EVERY_S = 0.05
# The limits are for a machine that is very busy, and are no promise.
HEARD_LIMIT_S = 180.0


def play(lane: Lane, scenario: Scenario, folder: Path) -> Stage:
    """Run a scenario to its end; nothing of it runs any more when this returns.

    Raises:
        DemoError: the run of faults itself cannot go on.
    """
    stage = set_up(lane, scenario, folder)
    try:
        for one in stage.together:
            set_out(one)
        for neighbour in stage.neighbours:
            neighbour.pending = acts(neighbour)
        happen(stage, acts(stage))
        for one in stage.together:
            one.lane.relay.calm(one.scenario.seed)
        lane.wait()
        for one in stage.together:
            wait_until_accounted(one, stage.together)
    finally:
        end(stage)
    return stage


def set_up(lane: Lane, scenario: Scenario, folder: Path) -> Stage:
    """A machine with a board that is enrolled, and has no power yet; and so its neighbours."""
    lane.relay.calm(scenario.seed)
    machine = lane.add_machine(scenario)
    board = make_board(lane, scenario, folder, "board", folder / "paper")
    enrol(lane, board, machine)
    stage = Stage(lane, scenario, folder, machine, utc(lane.clock.now()), boards=[board])
    for number, other in enumerate(scenario.neighbours, 1):
        neighbour = set_up(lane.beside(), other, folder / f"beside-{number}")
        neighbour.beside = scenario
        stage.neighbours.append(neighbour)
    return stage


def set_out(stage: Stage) -> None:
    """The board is heard, and its runs are planned."""
    stage.board.power_on()
    _wait_until_heard(stage)
    stage.begins = stage.lane.next_begin()
    plan_first(stage)


def happen(stage: Stage, all_acts: list[Act]) -> None:
    """Do each act at its time, one by one, until all are done and the runs are over; and so the neighbours'."""
    stage.pending = all_acts
    while any(one.pending or one.hours() < one.scenario.hours for one in stage.together):
        if any(_do_next(one) for one in stage.together):
            continue
        for one in stage.together:
            tend(one)
        stage.lane.pass_time(LOOK_EVERY_S)


def _do_next(stage: Stage) -> bool:
    """Whether there was something to do."""
    now_h = stage.hours()
    due = [act for act in stage.pending if act.at_h <= now_h and (stage.reachable or not act.needs_server)]
    if due:
        first = min(due)
        stage.pending.remove(first)
        first.do()
    return bool(due)


def _wait_until_heard(stage: Stage) -> None:
    """Until the board's agent runs; on a busy machine it begins slowly, and a run that is over then tries nothing."""
    deadline = stage.lane.real_s() + HEARD_LIMIT_S
    while stage.lane.studio.get(f"machines/{stage.machine}")["last_reported_at"] is None:
        if stage.lane.real_s() > deadline:
            raise DemoError(f"the board does not begin: {stage.board.said()[-400:]!r}")
        stage.lane.pass_time(LOOK_EVERY_S)


def wait_until_accounted(stage: Stage, together: Sequence[Stage] = ()) -> None:
    """Until the server has every column and the board knows it, or nothing more can be hoped for; ``together`` are all
    that people tend meanwhile."""
    deadline = stage.lane.real_s() + stage.lane.accounted_limit_s
    while True:
        for one in together or [stage]:
            tend(one)
        board = stage.survivor
        missing = _missing(stage, board)
        if missing is None:
            return
        if board.gave_up():
            stage.problems.append(f"the agent ended ({board.ended}) and needs a hand: {board.said()[-400:]!r}")
            return
        if stage.lane.real_s() >= deadline:
            stage.problems.append(f"{missing}; the board said {board.said()[-400:]!r}")
            return
        stage.lane.pass_time(LOOK_EVERY_S)


def _missing(stage: Stage, board: Board) -> str | None:
    """What is still waited for; None for nothing."""
    if not _all_told(stage, board):
        return "the server has not all that the board's journal holds"
    if not _accounted(stage):
        return "not every column was accounted for"
    if stage.clones and not _one_is_fenced(stage):
        return "of a board and its copy, not one alone was fenced off"
    return None


def _all_told(stage: Stage, board: Board) -> bool:
    """Whether the server has what the board's journal holds; of one that lost its newest, that an agent began since,
    too, by which the board learns that the server knows more of it."""
    with closing(sqlite3.connect(board.home / FILE_NAME)) as journal:
        (untold,) = journal.execute("SELECT count(*) FROM entry WHERE NOT accepted").fetchone()
    if untold or not stage.lost_newest:
        return not untold
    return bool(begun(entry for entry, _ in read_journal(board.home / FILE_NAME)) - stage.begun)


def _accounted(stage: Stage) -> bool:
    """Whether each run has an outcome of each of its columns, and none is being printed late."""
    for run in reversed(stage.all_runs):  # the last is the one that is waited for
        status, row = stage.lane.studio.call("GET", f"runs/{run}")
        if status == 200 and row["withdrawn_at"] is not None:
            continue
        if status == 404 and run in stage.followers:  # the server did not take it
            continue
        if status != 200 or row["again"] or row["printed"] + row["skipped"] + row["unknown"] < _planned(row):
            return False
    return True


def _planned(row: dict[str, int]) -> int:
    return row["end_column"] - row["first_column"]


def _one_is_fenced(stage: Stage) -> bool:
    """Of a board and its copy; whichever it is, was told so and stopped."""
    return stage.board.fenced() != stage.clones[-1].fenced()


def end(stage: Stage) -> None:
    """Nothing runs on, and the server is there, with the true time."""
    for one in stage.together:
        _end_boards(one)
    if stage.lane.ahead_s:
        stage.lane.server.kill()
        stage.set_server_ahead(0.0)
        stage.server_off = 1
    if stage.server_off:
        stage.server_off = 0
        stage.lane.server.start()
    try:
        stage.lane.wait()
    except urllib3.exceptions.HTTPError as error:
        raise DemoError(f"the server did not come back: {error}") from error


def _end_boards(stage: Stage) -> None:
    for board in (*stage.boards, *stage.clones):
        try:
            if board.runs():
                board.power_off(in_order=True)
        except DemoError as error:
            stage.problems.append(str(error))
        for asked in (*board.asked_before, *([] if board.asked is None else [board.asked])):
            asked.wait(PATIENCE_S)
    stage.lane.relay.calm(stage.scenario.seed)
