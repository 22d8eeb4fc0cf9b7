"""What people do of themselves, where they see that a board needs them."""

from __future__ import annotations

import sqlite3

import urllib3

from machines.node.store import identity
from machines.node.store.journal import open_journal
from machines.operator import holds
from server.demo.processes import PATIENCE_S
from tests.faults.boards import Board, enrol
from tests.faults.planning import plan_again
from tests.faults.stage import Stage
from tests.faults.takeovers import replace_board

# How an agent ends that can do nothing with its folder.
UNUSABLE = 2
# How a machine that somebody made stand goes on; one that was stopped is only paused then.
LETS_GO = {holds.STOPPED: "release", holds.PAUSED: "resume", holds.PARKED: "resume"}


def tend(stage: Stage) -> None:
    """Agents that ended are started again where a service manager would; the rest is a person's."""
    for board in (*stage.boards, *stage.clones):
        board.look()
        if stage.scenario.attended and _waits_for_a_person(board) and not _must_be_enrolled(stage, board):
            board.ask("resume")
        if _stands_by_what_is_over(stage, board):
            board.ask(LETS_GO[board.hold() or ""])
    if stage.reachable and not stage.board.off:
        if stage.lost_newest:
            _help_after_loss(stage)
        if stage.forgot:
            _remind(stage)


def _waits_for_a_person(board: Board) -> bool:
    return _is_free(board) and board.hold() in (holds.UNPLANNED, holds.REFUSING)


def _is_free(board: Board) -> bool:
    """Whether its agent runs, and nothing is under way there that somebody asked for."""
    return board.runs() and (board.asked is None or board.asked.poll() is not None)


def _stands_by_what_is_over(stage: Stage, board: Board) -> bool:
    """A journal that lost its newest may have lost that whoever made the machine stand let it go on. They do so once
    more, when nothing is to come any more: until then, somebody may have it stand on purpose."""
    return stage.lost_newest and not stage.pending and _is_free(board) and board.hold() in LETS_GO


def _must_be_enrolled(stage: Stage, board: Board) -> bool:
    """A machine refuses what a journal orders that has lost its newest: a person leaves it, until the server has said
    so, too."""
    return stage.lost_newest and board.hold() == holds.REFUSING


def _help_after_loss(stage: Stage) -> None:
    """A board that is fenced off, as the server knows more of it than itself, is enrolled again; one that has nothing
    left is replaced."""
    if stage.board.fenced():
        enrol(stage.lane, stage.board, stage.machine)
        if stage.board.hold() == holds.REFUSING:
            stage.board.ask("resume")
        stage.board.start()
    elif not stage.board.runs() and stage.board.ended and stage.board.ended[-1] == UNUSABLE:
        replace_board(stage)


def _remind(stage: Stage) -> None:
    """A server that was put back is told again what was planned. One that does not know a board says so, and nothing
    but a new code helps."""
    plan_again(stage)
    known = _knows(stage)
    if known is False:
        stage.board.power_off(in_order=True)
        enrol(stage.lane, stage.board, stage.machine)
        stage.board.power_on()
    stage.forgot = known is None


def _knows(stage: Stage) -> bool | None:
    """Whether the server takes the board's credentials; None if that cannot be told."""
    try:
        journal = open_journal(stage.board.home)
        with journal.reading() as db:
            credentials = identity.credentials(db)
        journal.close()
        assert credentials is not None
        response = stage.lane.studio.pool.request(
            "GET",
            f"{stage.lane.studio.address}/api/v1/node/work?horizon=PT1H",
            headers={"Authorization": f"Bearer {credentials.token}"},
            timeout=PATIENCE_S,
        )
    except (sqlite3.Error, urllib3.exceptions.HTTPError):
        return None
    return response.status != 401
