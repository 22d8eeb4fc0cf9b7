"""What holds a machine back until a person lets it go on, and how that is said."""

from __future__ import annotations

STOPPED, PAUSED, PARKED, UNPLANNED, REFUSING = "stopped", "paused", "parked", "unplanned-stop", "refusing"


SAYS = {
    "": "nothing holds it",
    STOPPED: "stopped by a person; it stays so until released, and then until resumed",
    PAUSED: "paused; it waits for a person to resume",
    PARKED: "parked for service; it waits for a person to resume",
    UNPLANNED: "it stopped unplanned; it waits for a person to look at it and resume",
    REFUSING: "it refused one order after another and said nothing is wrong; it waits for a person to look at it and at"
    " its paper, and to resume",
}
