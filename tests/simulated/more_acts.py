"""What begins and ends the faults that only simulated worlds play, beside those of the fault runs."""

from __future__ import annotations

from tests.faults.acts import Making, trouble
from tests.faults.board import boot_anew
from tests.faults.boards import Board
from tests.faults.kinds import WORDS
from tests.faults.program import Program
from tests.faults.scenario import Fault
from tests.faults.stage import Act, Stage
from tests.simulated.agent import BoardClock, agent_of
from tests.simulated.older_program import NEWER, as_an_older_leaves_it, set_version, version
from tests.simulated.persons import let_go, person

# How a program ends that finds what only a newer one can read.
UNUSABLE = 2
# After how long it has surely ended, real seconds of a fault run: some minutes.
LOOKED_AFTER_S = 0.1
# What a board's wall clock shows as it begins where nothing keeps it: seconds since 1970.
FALLEN_TO_S = 12.0
# Of a board's reboot, after how much of it the power is back.
POWER_BACK = 0.4


def _read_only(stage: Stage, fault: Fault) -> list[Act]:
    """The card of the board that is there when it begins, whatever becomes of that."""

    def begin() -> None:
        program = stage.board.child
        program.read_only += 1
        stage.pending.append(Act(fault.at_h + fault.lasts_h, lambda: end(program)))

    def end(program: Program) -> None:
        program.read_only -= 1

    return [Act(fault.at_h, begin)]


def _clock_lost(stage: Stage, fault: Fault) -> list[Act]:
    """What the wall clock shows after the boot: on from a battery, from 1970, or from when it was last written down."""
    shows, _, network = fault.detail.partition(" ")

    def off() -> None:
        board = stage.board
        shown = _clock(board).now()
        board.power_off()
        stage.pending.append(Act(fault.at_h + POWER_BACK * fault.lasts_h, lambda: on(board, shown)))

    def on(board: Board, shown: float) -> None:
        boot_anew(board.trouble, stage.lane.clock.elapsed())
        if shows != "battery":
            _set_wall(board, FALLEN_TO_S if shows == "1970" else shown)
        stage.board.power_on()  # another, where it was replaced meanwhile

    offline = trouble("network-gone")(stage, fault) if network == "offline" else []
    return [*offline, Act(fault.at_h, off)]


def _set_wall(board: Board, shows: float) -> None:
    (board.trouble / "clock-step").write_text(repr(shows - _clock(board).base.now()))


def _clock(board: Board) -> BoardClock:
    return agent_of(board).clock()


def _older(stage: Stage, fault: Fault) -> list[Act]:
    """A board that goes on with what a program of the version before has left."""

    def off() -> None:
        board = stage.board
        board.power_off(in_order=True)
        stage.pending.append(Act(fault.at_h + POWER_BACK * fault.lasts_h, lambda: on(board)))

    def on(board: Board) -> None:
        if board.hold() is not None and not board.runs() and version(board.home) != NEWER:
            as_an_older_leaves_it(board.home)
        stage.board.power_on()

    return [Act(fault.at_h, off)]


def _newer(stage: Stage, fault: Fault) -> list[Act]:
    """Somebody put an older program on a board: it says so, prints nothing, and leaves the journal as it is."""

    def off() -> None:
        board = stage.board
        board.power_off(in_order=True)
        if board.hold() is None or board.runs() or board.child.read_only:
            board.power_on()
            return
        before = set_version(board.home, NEWER)
        board.child.newer = True
        if before != NEWER:  # two of these at a time are one
            _check_refused(stage, board)
        stage.pending.append(Act(fault.at_h + fault.lasts_h, lambda: on(board, before)))

    def on(board: Board, before: int) -> None:
        is_first = before != NEWER and board.hold() is not None
        found = set_version(board.home, before) if is_first else NEWER
        if before != NEWER:  # else the other one that was put there still has it
            board.child.newer = False
        if found != NEWER and "journal-damaged" not in stage.kinds:  # an emptied one is made anew
            stage.problems.append("a program wrote to a journal of a newer one")
        stage.board.power_on()
        words_h = [one.at_h + one.lasts_h for one in stage.scenario.faults if one.kind in WORDS]
        if words_h:  # who paused it may have tried to resume it meanwhile, in vain
            stage.pending.append(Act(max([*words_h, stage.hours()]), lambda: let_go(stage, fault)))

    return [Act(fault.at_h, off)]


def _check_refused(stage: Stage, board: Board) -> None:
    program = board.child
    program.start()
    stage.lane.pass_time(LOOKED_AFTER_S)
    ended = program.process and program.process.poll()
    program.stop()
    program.process = None
    if ended != UNUSABLE or "later version" not in board.said():
        stage.problems.append(f"a newer journal ended the agent with {ended}: {board.said()[-300:]!r}")


MORE_MAKING: dict[str, Making] = {
    **{kind: trouble(kind) for kind in ("work-newer", "answers-falsified", "requests-falsified")},
    "card-read-only": _read_only,
    "clock-lost": _clock_lost,
    "program-older": _older,
    "program-newer": _newer,
    "person-acts": person,
}
