"""The names of what a person does at a machine, as buttons and sheets have them."""

from __future__ import annotations

ARM = "arm-knife"


SET_TIME = "set-time"


CALL = "call"


# In the order in which a person needs them. Those that set something in motion want a tick first.
LABELS = {
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
    SET_TIME: "Set the time",
    CALL: "Call the server",
}
