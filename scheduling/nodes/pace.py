"""How often each board asks: each a little sooner than is set, by a share of its own, so that boards which began
together soon ask at other times."""

from __future__ import annotations

import hashlib

# Of the time that is set, a board may be told to wait so much less.
SPREAD = 0.2


def paced_s(longest_s: float, machine: str, epoch: int) -> float:
    """When a board is to ask again, seconds, to the millisecond: always the same for a machine's board, so that the tag
    of its work stays what it was.

    Args:
        longest_s: as it is set, seconds; no board is told to wait longer.
        machine: id.
        epoch: of the board.
    """
    drawn = hashlib.sha256(f"{machine}/{epoch}".encode()).digest()[:4]
    share = int.from_bytes(drawn, "big") / 2.0**32
    return round(longest_s * (1.0 - SPREAD * share), 3) or longest_s
