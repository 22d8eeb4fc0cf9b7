"""Where the time comes from.

A process makes one clock where it is put together and hands it to everything else; nothing else asks the system for
the time. A compressed clock lets a day pass in a minute for several processes at once: all of them derive it from the
same kernel clock, which does not step.
"""

from __future__ import annotations

import time
from collections.abc import Mapping
from dataclasses import dataclass
from datetime import UTC, datetime
from typing import Protocol

from machines.errors import InputError

CLOCK_VARIABLE = "DAYROLL_CLOCK"
SKEW_VARIABLE = "DAYROLL_CLOCK_SKEW"
LEAST_SLEEP_S = 1.0


class Clock(Protocol):
    """What the program may ask about time."""

    def now(self) -> float:
        """UTC as this machine believes it, POSIX seconds. It may be wrong and may step."""

    def elapsed(self) -> float:
        """Seconds since some fixed instant of this boot; never steps, counts through sleep."""

    def real_s(self, seconds: float) -> float:
        """How many real seconds pass in so many of this clock's: who waits does so in real ones."""


@dataclass(frozen=True)
class SystemClock:
    """The machine's own clock."""

    def now(self) -> float:
        """UTC, POSIX seconds."""
        return time.time()

    def elapsed(self) -> float:
        """Seconds since boot, as the board's crystal counts them.

        A time service of the board slews CLOCK_BOOTTIME, by up to 500 parts per million and for minutes on end; what
        was learned of the crystal would not hold. It leaves CLOCK_MONOTONIC_RAW alone, which does not count through
        sleep, though; CLOCK_MONOTONIC neither, and is slewed as CLOCK_BOOTTIME is: their difference is the sleep.
        """
        slept_s = time.clock_gettime(time.CLOCK_BOOTTIME) - time.clock_gettime(time.CLOCK_MONOTONIC)
        # A board that never slept counts by the one clock alone; the two are not read at quite the same moment.
        return time.clock_gettime(time.CLOCK_MONOTONIC_RAW) + (slept_s if slept_s > LEAST_SLEEP_S else 0.0)

    def real_s(self, seconds: float) -> float:
        """They are real."""
        return seconds


@dataclass(frozen=True)
class CompressedClock:
    """A clock that began at ``began_at`` when the kernel's clock stood at ``began_boottime_s`` and runs ``rate`` times.

    Attributes:
        began_boottime_s: CLOCK_BOOTTIME at the beginning, seconds.
        began_at: the instant shown at the beginning, POSIX seconds.
        rate: seconds shown for each second that passes.
    """

    began_boottime_s: float
    began_at: float
    rate: float

    def now(self) -> float:
        """UTC as shown, POSIX seconds."""
        return self.began_at + self.elapsed()

    def elapsed(self) -> float:
        """Seconds shown since the beginning."""
        return (time.clock_gettime(time.CLOCK_BOOTTIME) - self.began_boottime_s) * self.rate

    def real_s(self, seconds: float) -> float:
        """As many as they are compressed into."""
        return seconds / self.rate

    def as_text(self) -> str:
        """The value of the environment variable that makes the same clock in another process."""
        return f"compressed:{self.began_boottime_s!r}:{self.began_at!r}:{self.rate!r}"


@dataclass(frozen=True)
class SkewedClock:
    """A clock that is wrong by an offset and gains or loses steadily, as a small board's does.

    Attributes:
        base: the clock it is made from.
        offset_s: how far ``now`` is ahead of the base, seconds.
        drift_ppm: how much faster than the base it runs, parts per million.
    """

    base: Clock
    offset_s: float
    drift_ppm: float

    def now(self) -> float:
        """The base's time with offset and drift, POSIX seconds."""
        return self.base.now() + self.offset_s + self.base.elapsed() * self.drift_ppm * 1e-6

    def elapsed(self) -> float:
        """The base's elapsed seconds with drift."""
        return self.base.elapsed() * (1.0 + self.drift_ppm * 1e-6)

    def real_s(self, seconds: float) -> float:
        """The base's, whose drift is too little to matter to who waits."""
        return self.base.real_s(seconds)


def utc(posix: float) -> datetime:
    """POSIX seconds as an aware UTC datetime."""
    return datetime.fromtimestamp(posix, UTC)


def true_clock(environ: Mapping[str, str]) -> Clock:
    """The clock that ``DAYROLL_CLOCK`` names: ``system`` (the default) or ``compressed:<boottime>:<posix>:<rate>``.

    Raises:
        InputError: the variable cannot be read.
    """
    text = environ.get(CLOCK_VARIABLE, "system")
    if text == "system":
        return SystemClock()
    try:
        name, began_boottime_s, began_at, rate = text.split(":")
        if name != "compressed" or not float(rate) > 0:
            raise ValueError
        return CompressedClock(float(began_boottime_s), float(began_at), float(rate))
    except ValueError:
        remedy = "give system, or compressed:<boottime>:<posix seconds>:<rate>"
        raise InputError(CLOCK_VARIABLE, f"{text!r} names no clock", remedy) from None


def board_clock(environ: Mapping[str, str]) -> Clock:
    """The clock of a field node's board: the true one, made wrong by ``DAYROLL_CLOCK_SKEW`` = ``<seconds>:<ppm>``.

    Raises:
        InputError: a variable cannot be read.
    """
    clock, text = true_clock(environ), environ.get(SKEW_VARIABLE)
    if text is None:
        return clock
    try:
        offset_s, drift_ppm = map(float, text.split(":"))
    except ValueError:
        raise InputError(SKEW_VARIABLE, f"{text!r} is no skew", "give <seconds>:<parts per million>") from None
    return SkewedClock(clock, offset_s, drift_ppm)
