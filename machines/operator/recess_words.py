"""How a recess is said to whoever stands beside the machine: nothing is wrong, and it is not safe to reach in."""

from __future__ import annotations

from machines.protocol.recesses import Recess

CAUTION = "It then moves and prints by itself: keep hands out of it, or pause it first."


def at_machine(recess: Recess, *, is_held: bool) -> str:
    """What a machine in a recess does, and what to mind; times are UTC, as a board knows no other.

    Args:
        recess: in which it is.
        is_held: whether people hold its run; else the venue is closed.
    """
    why = "held, as was said at the server" if is_held else "not printing while the venue is closed"
    until = "people let it go on" if recess.ends_at is None else f"{recess.ends_at:%Y-%m-%d %H:%M} UTC"
    return f"{why}, until {until}; nothing is wrong. {CAUTION}"
