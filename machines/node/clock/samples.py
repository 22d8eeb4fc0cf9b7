"""One exchange with the server about the time, and what it proves.

The node asks the server for the time and reads the answer against its own count of elapsed seconds, which never steps:

    T1 asked ----------> T2 received        offset = ((T2 - T1) + (T3 - T4)) / 2
    T4 answered <------- T3 sent            delay  = (T4 - T1) - (T3 - T2)

T1 and T4 are elapsed seconds of this boot, T2 and T3 are UTC, so the offset is the UTC instant at which the count
began. The true offset lies within delay / 2 of it (RFC 5905 section 8).
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import cached_property

from machines.errors import InputError

# A crystal that nobody knows yet is taken to be no worse than this, though most keep within 100 ppm (from memory).
DRIFT = 250e-6
# No count of seconds is worse than this: the kernel itself slews by at most 500 ppm, on top of the crystal.
MOST_DRIFT = 1000e-6
# The server's own clock, kept by a time service, may come and go by so much, seconds; common practice, no source.
SERVER_WOBBLE_S = 0.02
# The stamps have whole microseconds on the wire, so that a delay of nothing can come out a little below it.
STAMP_ROUNDING_S = 2e-6


@dataclass(frozen=True, kw_only=True)
class Sample:
    """One exchange with the server.

    Attributes:
        offset_s: UTC, POSIX seconds, at elapsed second 0, if the board's seconds were the server's.
        delay_s: of the way there and back.
        taken_at_s: elapsed second at which the answer came.
    """

    offset_s: float
    delay_s: float
    taken_at_s: float

    @cached_property
    def doubt_s(self) -> float:
        """Bound on the error of the offset when the sample was taken, seconds."""
        return self.delay_s * (0.5 + MOST_DRIFT) + SERVER_WOBBLE_S + STAMP_ROUNDING_S

    def error_s(self, elapsed_s: float, drift: float = DRIFT) -> float:
        """Bound on how far ``offset_s + elapsed_s`` is from the server's time, at an elapsed second, by this alone."""
        return self.doubt_s + drift * abs(elapsed_s - self.taken_at_s)

    def agrees_with(self, other: Sample, drift: float = DRIFT) -> bool:
        """Whether both can be true of one board and one server."""
        return abs(self.offset_s - other.offset_s) <= other.doubt_s + self.error_s(other.taken_at_s, drift)


def measured(asked_s: float, received_at: float, sent_at: float, answered_s: float) -> Sample:
    """A sample from its four stamps.

    Args:
        asked_s, answered_s: elapsed seconds (T1, T4).
        received_at, sent_at: POSIX seconds, by the server (T2, T3).

    Raises:
        InputError: no exchange can have had these stamps: a clock stepped in between.
    """
    delay_s = (answered_s - asked_s) - (sent_at - received_at)
    if sent_at < received_at or delay_s < -STAMP_ROUNDING_S:
        raise InputError("clock", "the server's stamps do not fit the exchange", "ask again")
    offset_s = ((received_at - asked_s) + (sent_at - answered_s)) / 2
    return Sample(offset_s=offset_s, delay_s=max(0.0, delay_s), taken_at_s=answered_s)
