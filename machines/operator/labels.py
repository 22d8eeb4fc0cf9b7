"""The names of what a person does at a machine, as buttons and sheets have them."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Final, Literal

from machines.protocol.journal_entries import Action

ARM: Final = "arm-knife"


SET_TIME: Final = "set-time"


CALL: Final = "call"

# What a person does, and what is asked of the agent alone.
PanelAction = Action | Literal["arm-knife", "call"]


# In the order in which a person needs them. Those that set something in motion want a tick first.
LABELS: Mapping[PanelAction, str] = {
    "stop": "Stop",
    "release": "Release the stop",
    "pause": "Pause",
    "park": "Park for service",
    "resume": "Resume",
    ARM: "Arm the knife",
    "feed": "Feed blank paper",
    "cut": "Cut here",
    "test-pattern": "Print a test pattern",
    "place-set": "Tell where the paper stands",
    "roll-changed": "Roll was changed",
    "cartridge-changed": "Cartridge was changed",
    "blade-changed": "Blade was changed",
    "roll-not-changed": "Roll was not changed",
    "cartridge-not-changed": "Cartridge was not changed",
    "blade-not-changed": "Blade was not changed",
    SET_TIME: "Set the time",
    CALL: "Call the server",
}


def panel_action(text: str) -> PanelAction | None:
    """What a form names; None for what is none of these."""
    return next((one for one in LABELS if one == text), None)
