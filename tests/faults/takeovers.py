"""Who the board is changes: it is enrolled again, its journal is lost, or somebody copies its files."""

from __future__ import annotations

import random

from tests.faults.boards import Board, begun, clone, damage, enrol, make_board
from tests.faults.planning import TRY_EVERY_H
from tests.faults.program import running
from tests.faults.scenario import Fault
from tests.faults.stage import Act, Stage

REFUSES_DAMAGE = 2


def _enrol_again(stage: Stage, fault: Fault) -> list[Act]:
    def again() -> None:
        if stage.board.child.newer:  # its program cannot read its journal: the newer one is put back first
            stage.pending.append(Act(stage.hours() + TRY_EVERY_H, again, needs_server=True))
            return
        stage.board.power_off(in_order=True)
        enrol(stage.lane, stage.board, stage.machine)
        stage.board.power_on()

    return [Act(fault.at_h, again, needs_server=True)]


def _lose_journal(stage: Stage, fault: Fault) -> list[Act]:
    def lose() -> None:
        old = stage.board
        old.power_off()
        stage.settled += old.settled()
        laid = _ledger_bytes(old)
        damage(old.home, fault.detail, random.Random(stage.scenario.seed))
        _check_refused(stage, old, laid)

    def replace() -> None:
        replace_board(stage)
        stage.board.power_on()

    return [Act(fault.at_h, lose), Act(fault.at_h + fault.lasts_h, replace, needs_server=True)]


def replace_board(stage: Stage) -> None:
    """A new board takes over, with a new code, and has power where the old one has."""
    old = stage.board
    new = make_board(stage.lane, stage.scenario, stage.folder, f"board-{len(stage.boards) + 1}", old.paper)
    enrol(stage.lane, new, stage.machine)
    new.off, new.full = old.off, old.full
    stage.boards.append(new)
    stage.taken_over.append(new.epoch())
    if not new.off:
        new.start()


def _lose_newest(stage: Stage, fault: Fault) -> list[Act]:
    def lose() -> None:
        stage.board.power_off()
        stage.settled += stage.board.settled()
        stage.board.lose_newest()
        stage.lost_newest, stage.begun = True, begun(stage.board.told())

    return [Act(fault.at_h, lose), Act(fault.at_h + fault.lasts_h, lambda: stage.board.power_on())]


def _check_refused(stage: Stage, board: Board, laid: int) -> None:
    """An agent that finds its journal damaged says so, and prints nothing; if its card lets it read that at all, and it
    is not a newer program's, which it says first."""
    if board.child.read_only or board.child.newer:
        return
    done = board.child.do(*running(stage.scenario))
    if done.returncode != REFUSES_DAMAGE or "enrol" not in done.stderr or "Traceback" in done.stderr:
        stage.problems.append(f"a damaged journal ended the agent with {done.returncode}: {done.stderr[-300:]!r}")
    if _ledger_bytes(board) != laid:
        stage.problems.append("something was laid with a damaged journal")


def _ledger_bytes(board: Board) -> int:
    ledger = board.paper / "paper.ledger"
    return ledger.stat().st_size if ledger.exists() else 0


def _copy_board(stage: Stage, fault: Fault) -> list[Act]:
    def copy() -> None:
        if stage.board.child.newer:  # of its journal no copy could be read, and none was taken
            return
        copied = make_board(stage.lane, stage.scenario, stage.folder, "clone", stage.folder / "clone-paper")
        stage.common = clone(stage.board, copied)
        stage.clones.append(copied)
        copied.power_on()

    return [Act(fault.at_h, copy)]


TAKEOVERS = {
    "board-again": _enrol_again,
    "wal-lost": _lose_newest,
    "journal-damaged": _lose_journal,
    "node-cloned": _copy_board,
}
