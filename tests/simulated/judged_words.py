"""What only a world that sees everything can judge of a person's word: that a board which held it followed it, and that
one which could hear it did not pass it over."""

from __future__ import annotations

from collections.abc import Collection

from tests.faults.kinds import WORDS
from tests.faults.scenario import Fault, Scenario
from tests.faults.stage import Stage
from tests.simulated.agent import agent_of

# So long after a word nothing else may be wrong, hours.
APART_H = 0.5
# These keep no word from being heard.
NOT_IN_THE_WAY = ("clock-step", "reports-newer", "reports-duplicated", "machine-jammed")


def words_not_followed(stage: Stage) -> list[str]:
    """Of all boards of a scenario."""
    boards = [board for one in stage.together for board in (*one.boards, *one.clones)]
    return [complaint for board in boards for complaint in agent_of(board).words.complaints]


def words_in_vain(stage: Stage) -> list[str]:
    """A word that was given while nothing else was wrong reaches the board in time, and settles what it is about."""
    scenario = stage.scenario
    silences = (fault for fault in scenario.faults if fault.kind == "word-in-silence")
    if scenario.neighbours or not any(can_be_heard(fault, scenario) for fault in silences):
        return []
    words = [stage.lane.studio.get(f"overrides/{word}") for word in stage.words]
    return [f"the word {word['id']} could be heard, and was passed over" for word in words if word["used_by"] is None]


def can_be_heard(word: Fault, scenario: Scenario) -> bool:
    """Whether nothing comes between the server and a board that has its power back, and knows what time it is."""
    ends_h = word.at_h + word.lasts_h + APART_H
    return undisturbed(scenario, word.at_h, ends_h, {*WORDS, *NOT_IN_THE_WAY})


def undisturbed(scenario: Scenario, from_h: float, until_h: float, passing: Collection[str]) -> bool:
    """Whether nothing is wrong between two hours but faults of kinds that are in nobody's way."""
    others = [fault for fault in scenario.faults if fault.kind not in passing]
    return all(fault.at_h + fault.lasts_h < from_h or until_h < fault.at_h for fault in others)
