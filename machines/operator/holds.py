"""What holds a machine back until a person lets it go on, and how that is said."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Final, Literal

from machines.protocol.journal_entries import Action

Holding = Literal["stopped", "paused", "parked", "unplanned-stop", "refusing"]
Hold = Literal[""] | Holding

STOPPED: Final = "stopped"
PAUSED: Final = "paused"
PARKED: Final = "parked"
UNPLANNED: Final = "unplanned-stop"
REFUSING: Final = "refusing"

# After what a person did, by the node's journal and in the server's log; the other actions change nothing about it.
HELD_AFTER: Mapping[Action, Hold] = {
    "stop": STOPPED,
    "release": PAUSED,
    "pause": PAUSED,
    "park": PARKED,
    "resume": "",
}
PANEL_WORDS = {
    "": "nothing holds it",
    STOPPED: "stopped by a person; it stays so until released, and then until resumed",
    PAUSED: "paused; it waits for a person to resume",
    PARKED: "parked for service; it waits for a person to resume",
    UNPLANNED: "it stopped unplanned; it waits for a person to look at it and resume",
    REFUSING: "it refused one order after another and said nothing is wrong; it waits for a person to look at it and at"
    " its paper, and to resume",
}
