"""What only a world in which a person is at the board can judge: how what they do there may end."""

from __future__ import annotations

from collections.abc import Collection, Mapping

from tests.faults.stage import Stage
from tests.simulated.agent import agent_of
from tests.simulated.hands import Refusal

_NO_AGENT = "no agent is running"
_BY_HAND = ("cannot be done now", "it was not done, or not all of it", "the agent did not take it up", _NO_AGENT)
_ARMING = ("the machine did not arm its knife", "the agent did not answer", _NO_AGENT)
# What may be refused, whatever else is wrong, and in which words. All else that a person does there is done.
REFUSED: Mapping[str, Collection[str]] = {
    "feed": _BY_HAND,
    "cut": _BY_HAND,
    "test-pattern": _BY_HAND,
    "arm": _ARMING,
    "arm-knife": _ARMING,
    # of two persons at a machine, one may have had it stand faster, or go on
    **dict.fromkeys(("pause", "park"), ("cannot be done now: stopped by a person",)),
    **dict.fromkeys(("release", "resume"), ("cannot be done now",)),
    **dict.fromkeys(
        (f"{part}-{said}" for part in ("roll", "cartridge", "blade") for said in ("changed", "not-changed")),
        ("cannot be done now",),
    ),
    "call": ("no answer within", "the agent has called", _NO_AGENT),
    "set-time": ("nobody needs to set it",),
}
# What is refused where a fault is the board's own, by its kind.
_CARD = ("cannot read or write its files",)
AMID: Mapping[str, Collection[str]] = {
    "card-full": _CARD,
    "card-read-only": _CARD,
    "journal-damaged": ("no journal in", "cannot be used"),
    "program-newer": ("was written by a later version",),
}


def wrong_ends(stage: Stage) -> list[str]:
    """What a person did at a board of a scenario and was refused without a reason that is known."""
    return [
        f"at the board, {refusal}"
        for one in stage.together
        for board in (*one.boards, *one.clones)
        for refusal in agent_of(board).hands.refused
        if not may_be(refusal, one.kinds)
    ]


def may_be(refusal: Refusal, kinds: Collection[str]) -> bool:
    """Whether it has a reason that is known, where faults of some kinds are met."""
    amid = (words for kind, words in AMID.items() if kind in kinds)
    return any(word in refusal.said for words in (REFUSED.get(refusal.action, ()), *amid) for word in words)
