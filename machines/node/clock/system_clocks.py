"""What the board's system tells of its clocks, read from Linux; where it tells nothing, nothing is known."""

from __future__ import annotations

import ctypes
import time
from pathlib import Path

from machines.clock import Clock, SkewedClock, SystemClock
from machines.errors import InputError
from machines.node.clock.own_clocks import OwnClock

ROOT = Path("/")
# Counts whose nominal rate is the same in every boot; others are measured anew by the kernel, to some tens of ppm.
FIXED_COUNTS = {"arch_sys_counter"}
BATTERY, SYSTEM = "battery clock", "system clock"
MOST_DRIFT_PPM = 1000.0
# A battery clock shows whole seconds. A simple time service states no error of its own servers: one more second.
WHOLE_SECOND_S, SLACK_S = 1.0, 1.0
_STA_UNSYNC, _ADJTIMEX_WORDS = 0x40, 64


def counter_name(clock: Clock, root: Path = ROOT) -> str:
    """Names the board and what counts its seconds; empty where another boot may count them at another rate."""
    if isinstance(clock, SkewedClock):
        return f"skewed by {clock.drift_ppm!r} ppm"
    if not isinstance(clock, SystemClock):
        return ""
    count = _text(root / "sys/devices/system/clocksource/clocksource0/current_clocksource")
    board = _text(root / "proc/device-tree/serial-number")
    return f"{count} of {board}" if count in FIXED_COUNTS and board else ""


def own_clocks(clock: Clock, battery_clock_ppm: float | None, root: Path = ROOT) -> tuple[OwnClock, ...]:
    """The clocks that may be believed after a start without the server.

    Args:
        clock: the board's.
        battery_clock_ppm: a person's word that a battery keeps a clock, and how wrong that one runs at most; None
            where there is none.

    Raises:
        InputError: no clock runs like that, or there is none.
    """
    system = (OwnClock(name=SYSTEM, read=_synchronised, drift=0.0),) if isinstance(clock, SystemClock) else ()
    if battery_clock_ppm is None:
        return system
    if not 0.0 < battery_clock_ppm <= MOST_DRIFT_PPM:
        problem = f"{battery_clock_ppm:g} ppm"
        raise InputError("battery-clock", problem, f"give what its maker states, up to {MOST_DRIFT_PPM:g} ppm")
    file = root / "sys/class/rtc/rtc0/since_epoch"
    if isinstance(clock, SystemClock) and not file.exists():
        raise InputError("battery-clock", f"this board has none: there is no {file}", "leave it out")

    def read() -> tuple[float, float] | None:
        if isinstance(clock, SkewedClock):  # a trial: the battery clock is right where the board is wrong
            return float(int(clock.base.now())), WHOLE_SECOND_S
        text = _text(file) if isinstance(clock, SystemClock) else str(int(clock.now()))
        return (int(text) + 0.5, WHOLE_SECOND_S) if text.isdecimal() else None

    return (*system, OwnClock(name=BATTERY, read=read, drift=battery_clock_ppm * 1e-6))


def _synchronised() -> tuple[float, float] | None:
    """The system's clock, if the kernel says that a time service has set it; see adjtimex(2)."""
    words = (ctypes.c_long * _ADJTIMEX_WORDS)()
    state = int(ctypes.CDLL(None).adjtimex(words))
    # unsigned modes, long offset, freq, maxerror, esterror, int status: each at the place of a long
    most_error_us, status = words[3], words[5] & 0xFFFFFFFF
    if state < 0 or status & _STA_UNSYNC:
        return None
    return time.time(), most_error_us * 1e-6 + SLACK_S


def _text(file: Path) -> str:
    try:
        return file.read_text().strip("\0\n ")
    except (OSError, UnicodeDecodeError):
        return ""
