"""What a person at the machine does of themselves: each thing as what is done one after another, at its hour.

Who made the machine stand lets it go on afterwards, however often the power goes meanwhile.
"""

from __future__ import annotations

from collections.abc import Callable
from random import Random

from machines.clock import utc
from tests.faults.boards import Board
from tests.faults.people import LETS_GO
from tests.faults.scenario import Fault
from tests.faults.stage import Act, Stage
from tests.simulated.agent import agent_of
from tests.simulated.hands import Hands

TRY_EVERY_H = 0.05
# Between one thing that is done by hand and the next; hours.
NEXT_H = 0.04
# Whoever made a machine stand does not wait for its power longer than this, hours.
PATIENCE_H = 30.0
FEEDS_MM = ("3", "20", "60")
PATTERNS = ("nozzles", "feed-ruler", "tone-wedge", "knife-scale", "squareness")
# So often what was said last of a part is taken back at once.
MISTAKEN = 0.4
PINS = ("480213", "771904")
# What a person may do, a name each, for a fault's detail.
DONE_BY_HAND = ("pause", "stop", "hands", "supplies", "call", "pin", "set-time")

Do = Callable[[Hands], None]


def person(stage: Stage, fault: Fault) -> list[Act]:
    """Somebody comes, does something, and goes."""
    dice = Random(f"{stage.scenario.seed} {fault.at_h} {fault.detail}")
    errands = _errands(stage, fault.detail, dice)
    acts = [Act(fault.at_h + number * NEXT_H, _at_board(stage, do)) for number, do in enumerate(errands)]
    return [*acts, Act(max(fault.at_h + fault.lasts_h, acts[-1].at_h + NEXT_H), lambda: let_go(stage, fault))]


def _at_board(stage: Stage, do: Do) -> Callable[[], None]:
    """At a board without power nothing can be done."""

    def tries() -> None:
        if stage.board.runs():
            do(agent_of(stage.board).hands)

    return tries


def let_go(stage: Stage, fault: Fault) -> None:
    """Have a machine that somebody made stand go on, also one that stands only when what was done in this instant comes
    to it. A copy that was made meanwhile stands as its original does."""
    holding = [(board, board.hold()) for board in (stage.board, *stage.clones) if not _gone(board)]
    standing = [(board, hold) for board, hold in holding if hold in LETS_GO]
    for board, hold in standing:
        if board.runs():
            agent_of(board).hands.type([LETS_GO[hold]])
    comes = any(agent_of(board).hands.is_busy for board in (stage.board, *stage.clones))
    if (standing or comes) and stage.hours() < fault.at_h + PATIENCE_H:
        stage.pending.append(Act(stage.hours() + TRY_EVERY_H, lambda: let_go(stage, fault)))


def _gone(board: Board) -> bool:
    return board.gave_up() and not board.off


def _errands(stage: Stage, name: str, dice: Random) -> list[Do]:
    if name == "pause":
        return [_do("pause", dice)]
    if name == "stop":
        return [_do("stop", dice)]
    if name == "supplies":
        changes = dice.sample(["roll-changed", "cartridge-changed", "blade-changed"], dice.randint(1, 3))
        done = [_do("park", dice), *(_do(one, dice) for one in changes)]
        if dice.random() < MISTAKEN:
            done[-1] = _both(done[-1], _do(changes[-1].replace("changed", "not-changed"), dice))
        return done
    if name == "call":
        return [_call(dice)]
    if name == "pin":
        pin = dice.choice(PINS)
        return [lambda hands: _pin(hands, pin)]
    if name == "set-time":
        return [lambda hands: _set_time(stage, hands)]
    by_hand = [_arm(dice), _feed(dice), _cut(dice), _pattern(dice)]
    return [_do("pause", dice), *dice.sample(by_hand, dice.randint(1, 4))]


def _both(first: Do, second: Do) -> Do:
    def do(hands: Hands) -> None:
        first(hands)
        second(hands)

    return do


def _do(action: str, dice: Random) -> Do:
    if dice.random() < 0.5:
        return lambda hands: hands.press(action, {})
    return lambda hands: hands.type([action])


def _arm(dice: Random) -> Do:
    if dice.random() < 0.5:
        return lambda hands: hands.press("arm-knife", {})
    return lambda hands: hands.type(["arm", "--yes"])


def _feed(dice: Random) -> Do:
    mm = dice.choice(FEEDS_MM)
    if dice.random() < 0.5:
        return lambda hands: hands.press("feed", {"length_mm": mm})
    return lambda hands: hands.type(["feed", "--mm", mm, "--yes"])


def _cut(dice: Random) -> Do:
    if dice.random() < 0.5:
        return lambda hands: hands.press("cut", {})
    return lambda hands: hands.type(["cut", "--yes"])


def _pattern(dice: Random) -> Do:
    pattern = dice.choice(PATTERNS)
    if dice.random() < 0.5:
        return lambda hands: hands.press("test-pattern", {"pattern": pattern})
    return lambda hands: hands.type(["test-pattern", pattern, "--yes"])


def _call(dice: Random) -> Do:
    if dice.random() < 0.5:
        return lambda hands: hands.press("call", {})
    return lambda hands: hands.type(["call"])


def _pin(hands: Hands, pin: str) -> None:
    slip = hands.program.home.with_suffix(".pin")
    slip.write_text(pin)
    hands.type(["pin", "--pin-file", str(slip)])


def _set_time(stage: Stage, hands: Hands) -> None:
    """By a watch that is right to the second."""
    shown = utc(float(round(stage.lane.clock.now()))).replace(tzinfo=None).isoformat()
    hands.type(["set-time", shown, "--zone", "UTC", "--within", "5", "--yes"])
