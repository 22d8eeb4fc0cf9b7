"""What holds a machine back until a person lets it go on, and how that is said to whoever reads it."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Final, Literal

from machines.protocol.journal_entries import Action

Holding = Literal["stopped", "paused", "parked", "unplanned-stop", "refusing"]
Hold = Literal[""] | Holding

STOPPED: Final = "stopped"
PAUSED: Final = "paused"
PARKED: Final = "parked"
UNPLANNED: Final = "unplanned-stop"
REFUSING: Final = "refusing"
# As the server calls it while the machine's own words say that it cannot go on; the node says those words instead.
FAULT: Final = "fault"

# After what a person did, by the node's journal and in the server's log; the other actions change nothing about it.
HELD_AFTER: Mapping[Action, Hold] = {
    "stop": STOPPED,
    "release": PAUSED,
    "pause": PAUSED,
    "park": PARKED,
    "resume": "",
}


@dataclass(frozen=True)
class HoldWords:
    """A hold, in the words of each who reads of it.

    Attributes:
        at_machine: for whoever stands there, on the panel, in `dayroll-node` and on the sheet for the staff.
        at_a_glance: for those who see many machines; where it stands is said beside it.
        to_visitors: for people who have come to see it, and cannot do anything about it; a sentence.
        task: what the staff have to do.
        first_look: what they see to before.
    """

    at_machine: str
    at_a_glance: str
    to_visitors: str
    task: str
    first_look: str


HOLD_WORDS: Mapping[str, HoldWords] = {
    STOPPED: HoldWords(
        at_machine="stopped by a person; it stays so until released, and then until resumed",
        at_a_glance="stopped by a person there",
        to_visitors="The machine stands still: somebody here has stopped it.",
        task="Let it go on after the stop",
        first_look="Ask who stopped it, and why. Until that is settled it stays stopped.",
    ),
    PAUSED: HoldWords(
        at_machine="paused; it waits for a person to resume",
        at_a_glance="paused; to be resumed there",
        to_visitors="The machine stands still: somebody here has paused it.",
        task="Let it go on",
        first_look="Ask who paused it, and why. Until that is settled it stays paused.",
    ),
    PARKED: HoldWords(
        at_machine="parked for service; it waits for a person to resume",
        at_a_glance="parked for service",
        to_visitors="The machine stands still: it is being looked after.",
        task="End the service and let it go on",
        first_look="Is the work at it done, and are the guards closed?",
    ),
    UNPLANNED: HoldWords(
        at_machine="it stopped unplanned; it waits for a person to look at it and resume",
        at_a_glance="stopped unplanned; somebody must look",
        to_visitors="The machine stands still: it stopped by itself, as after a power cut, and waits for somebody to"
        " look at it.",
        task="Look at it, and let it go on",
        first_look="Look at the machine and its paper. If anything is unusual, ring.",
    ),
    FAULT: HoldWords(
        at_machine="it stopped because something is wrong with it; it waits for a person to look at it and resume",
        at_a_glance="stopped by a fault; somebody must look",
        to_visitors="The machine stands still: something about it has to be put right by a person.",
        task="Put it right, and let it go on",
        first_look="See to what it says, as above. If you are not sure, ring.",
    ),
}
# What the node says of its own holds. That it refuses, nobody else hears of: the server is told of a fault.
AT_MACHINE: Mapping[str, str] = {
    "": "nothing holds it",
    **{hold: HOLD_WORDS[hold].at_machine for hold in (STOPPED, PAUSED, PARKED, UNPLANNED)},
    REFUSING: "it refused one order after another and said nothing is wrong; it waits for a person to look at it and at"
    " its paper, and to resume",
}
