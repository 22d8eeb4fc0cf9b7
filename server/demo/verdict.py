"""What a day that was played comes to: kept, broken, or not to be judged because the computer was too busy."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Literal

from server.demo.acceptance import Promise
from server.demo.time_compression import too_busy

Verdict = Literal["kept", "broken", "too-busy"]
# What rests on being in time, and so on the computer. What is twice on the paper, differs from its plate or is in no
# log is broken however busy it was.
IN_TIME = (
    "columns-on-time",
    "prints-on-without-the-server",
    "outage-",
    "knife-follows-the-paper:",
    "nothing-lost:",
    "ended-while-offline:",
    "followed-without-a-seam:",
    "told-of-outages",
    "paper-foretold:",
    "hung-as-was-said:",
)


def verdict(promises: Sequence[Promise], shares: Sequence[float], *, stood_still: bool) -> Verdict:
    """The verdict on promises that were measured.

    Args:
        promises: all of them.
        shares: of a core that were to be had while the day passed, from `server.demo.time_compression`.
        stood_still: whether the computer did meanwhile, from `server.demo.stalls`.
    """
    broken = broken_names(promises)
    if not broken:
        return "kept"
    in_time = all(name.startswith(IN_TIME) for name in broken)
    return "too-busy" if in_time and (stood_still or too_busy(shares)) else "broken"


def broken_names(promises: Sequence[Promise]) -> list[str]:
    """The names of those that do not hold."""
    return [promise.name for promise in promises if not promise.holds]
