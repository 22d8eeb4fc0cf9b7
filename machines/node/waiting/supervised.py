"""What runs beside the print loop, in a thread of its own, and is begun again whatever ends it.

The machine prints on without it, and must: so no fault of it ends the agent. One that comes again and again does not
fill the log: it is told the first time, the second, the fourth, and so on.
"""

from __future__ import annotations

import logging
import threading
import time
from collections.abc import Callable

log = logging.getLogger(__name__)

# Between a fault and the next try, real seconds: whoever says stop at the machine waits no longer for a watch.
PAUSE_S = 1.0


def begin(name: str, work: Callable[[], None], ended: Callable[[], bool]) -> threading.Thread:
    """Do work beside the print loop, and again after each fault, until it returns.

    Args:
        name: of it, in the log.
        work: it returns when it is time to end, and may be begun again at any time.
        ended: whether it is, so that it is not begun again.

    Returns:
        the thread, which no longer lives when the work has ended.
    """
    thread = threading.Thread(target=_endure, args=(name, work, ended), name=name, daemon=True)
    thread.start()
    return thread


def _endure(name: str, work: Callable[[], None], ended: Callable[[], bool]) -> None:
    faults = 0
    while True:
        try:
            work()
        except Exception:
            faults += 1
            if faults & (faults - 1) == 0:
                log.exception("%s broke off by a fault of this program (number %d); it is begun again", name, faults)
        else:
            return
        if ended():
            return
        time.sleep(PAUSE_S)
