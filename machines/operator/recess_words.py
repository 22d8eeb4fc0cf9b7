"""How a recess is said to whoever stands beside the machine: nothing is wrong, and it is not safe to reach in."""

from __future__ import annotations

from zoneinfo import ZoneInfo

from machines.operator.language import _
from machines.operator.local_time import moment
from machines.protocol.recesses import Recess

CAUTION = "It then moves and prints by itself: keep hands out of it, or pause it first."


def at_machine(recess: Recess, *, is_held: bool, clock: ZoneInfo | None = None) -> str:
    """What a machine in a recess does, and what to mind.

    Args:
        recess: in which it is.
        is_held: whether people hold its run; else the venue is closed.
        clock: by which its end is said; None for UTC.
    """
    if recess.ends_at is None:
        said = _("held, as was said at the server, until people let it go on; nothing is wrong.")
    elif is_held:
        said = _("held, as was said at the server, until {when}; nothing is wrong.")
    else:
        said = _("not printing while the venue is closed, until {when}; nothing is wrong.")
    when = "" if recess.ends_at is None else moment(recess.ends_at, clock)
    return f"{said.format(when=when)} {_(CAUTION)}"
