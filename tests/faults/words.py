"""What people say on an outage while it is open, and what they do beside the machine meanwhile."""

from __future__ import annotations

from collections.abc import Callable

import urllib3

from tests.faults.options import POLICIES
from tests.faults.scenario import Fault
from tests.faults.stage import Act, Stage

# Of a word's time, in how much of it the power is gone before something is made good; from then on a word is tried.
AWAY = 0.32
TRY_EVERY_H = 0.05


def _in_silence(stage: Stage, fault: Fault) -> list[Act]:
    def off() -> None:
        stage.board.power_off()
        _try(stage, fault, lambda: stage.board.power_on())  # which may be another by then

    return [Act(fault.at_h, off)]


def _in_pause(stage: Stage, fault: Fault) -> list[Act]:
    def pause() -> None:
        stage.board.ask("pause")
        _try(stage, fault, lambda: _resume(stage))

    return [Act(fault.at_h, pause)]


def _resume(stage: Stage) -> None:
    """A copy that was made meanwhile is paused as its original was. Nobody resumes what they are still pausing: on a
    busy computer the second command would overtake the first, and the machine stand for ever."""
    boards = (stage.board, *stage.clones)
    if any(board.asked is not None and board.asked.poll() is None for board in boards):
        stage.pending.append(Act(stage.hours() + TRY_EVERY_H, lambda: _resume(stage)))
        return
    for board in boards:
        board.ask("resume")


def _in_replay(stage: Stage, fault: Fault) -> list[Act]:
    def on() -> None:
        stage.board.power_on()
        _try(stage, fault, lambda: None)

    return [Act(fault.at_h, lambda: stage.board.power_off()), Act(fault.at_h + AWAY * fault.lasts_h, on)]


def _try(stage: Stage, fault: Fault, then: Callable[[], None]) -> None:
    """Say it as soon as there is something to decide, or not at all; what comes then comes either way."""
    if _said(stage, fault) or stage.hours() > fault.at_h + fault.lasts_h:
        then()
    else:
        stage.pending.append(Act(stage.hours() + TRY_EVERY_H, lambda: _try(stage, fault, then)))


def _said(stage: Stage, fault: Fault) -> bool:
    """Whether the server took the word, on whichever run is open."""
    if stage.server_off:
        return False
    word = stage.scenario.word
    body = {"rule": POLICIES[word] if word else {"kind": fault.detail}, "reason": "somebody decided"}
    for run in stage.runs:
        try:
            status, answer = stage.lane.studio.call("POST", f"runs/{run}/override", body)
        except urllib3.exceptions.HTTPError:
            return False
        if status == 201:
            stage.words.append(answer["id"])
            return True
    return False


WORDS = {"word-in-silence": _in_silence, "word-in-pause": _in_pause, "word-in-replay": _in_replay}
