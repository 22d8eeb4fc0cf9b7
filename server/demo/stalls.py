"""Whether the computer stood still while the demonstration's day passed.

A share of the processor says nothing of a disk that takes a third of a second for one write, or of a host that gives
its time to somebody else. So a witness that has nothing to do with the product writes a little, waits for the disk and
sleeps an instant, over and over, and what that took too long is the computer's.
"""

from __future__ import annotations

import os
import threading
import time
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

# Between two looks, seconds: as often as a quick machine lays a burst in compressed time.
LOOK_EVERY_S = 0.01
# The narrowest dot of the demonstration takes a minute and a half; who stood still for less was in time, seconds shown.
MATTERS_SHOWN_S = 60.0


@contextmanager
def watching(folder: Path) -> Iterator[list[float]]:
    """The longest time so far that one look took beyond its own, seconds, alone in a list; looked at until the end."""
    longest_s, over = [0.0], threading.Event()
    witness = threading.Thread(target=_look, args=(folder / "stalls", over, longest_s), daemon=True)
    witness.start()
    try:
        yield longest_s
    finally:
        over.set()
        witness.join()


def stood_still(longest_s: float, pace: float) -> bool:
    """Whether the computer stood still for longer than a machine may be late.

    Args:
        longest_s: of all looks, seconds.
        pace: seconds shown a second.
    """
    return longest_s * pace > MATTERS_SHOWN_S


def _look(path: Path, over: threading.Event, longest_s: list[float]) -> None:
    with path.open("wb") as file:
        while not over.is_set():
            began = time.perf_counter()
            file.seek(0)
            file.write(b"\0" * 4096)
            file.flush()
            os.fsync(file.fileno())
            time.sleep(LOOK_EVERY_S)
            longest_s[0] = max(longest_s[0], time.perf_counter() - began - LOOK_EVERY_S)
