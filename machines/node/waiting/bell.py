"""The bell of a home folder: who changed its journal from another process rings, and the agent looks at once.

It is a pipe with a name (fifo(7)), for the folder's owner alone. Ringing never waits, and does nothing where nobody
listens: what was written stands in the journal, and an agent that begins reads it. One that was left behind when the
power went is replaced.
"""

from __future__ import annotations

import contextlib
import logging
import os
import threading
from collections.abc import Callable, Iterator
from functools import partial
from pathlib import Path

from machines.node.waiting import supervised
from machines.node.waiting.news import News

log = logging.getLogger(__name__)

NAME = "bell"
# Without a bell, who waits looks after so long, real seconds: a person's order is followed at once, as people see it.
DEAF_S = 0.2
# How long the one who listens may take to hear that it is over, real seconds.
PATIENCE_S = 1.0
_MOST_RINGS = 4096


class TellsAgent(News):
    """The news of a process beside the agent's: what it writes, the agent hears."""

    def __init__(self, home: Path) -> None:
        """``home``: of the agent, which may run or not."""
        super().__init__()
        self._home = home

    def tell(self) -> None:
        """Something is new, here and for the agent."""
        super().tell()
        ring(self._home)


def ring(home: Path) -> None:
    """Have the agent of a folder look, if one runs."""
    with contextlib.suppress(OSError):  # nobody listens; or it was rung so often already that it will look anyway
        bell = os.open(home / NAME, os.O_WRONLY | os.O_NONBLOCK)
        try:
            os.write(bell, b"\0")
        finally:
            os.close(bell)


@contextlib.contextmanager
def heard(home: Path, news: News) -> Iterator[None]:
    """While the block runs, what other processes tell is news here; without a bell, who waits looks often."""
    bell = _hang(home)
    if bell is None:
        news.longest_s = DEAF_S
        yield
        return
    over = threading.Event()
    listening = supervised.begin("the bell", partial(_listen, bell, news, over.is_set), over.is_set)
    try:
        yield
    finally:
        over.set()
        ring(home)
        listening.join(PATIENCE_S)
        (home / NAME).unlink(missing_ok=True)


def _hang(home: Path) -> int | None:
    """What a new bell is heard by; None where there can be none, as on a file system that knows no pipes."""
    path = home / NAME
    try:
        path.unlink(missing_ok=True)
        os.mkfifo(path, 0o600)
        # Also for writing, so that it does not end when the last of those who rang has gone.
        return os.open(path, os.O_RDWR)
    except OSError as error:
        log.warning(
            "no bell can be hung, so it is looked every %g s whether a person wants anything: %s", DEAF_S, error
        )
        return None


def _listen(bell: int, news: News, over: Callable[[], bool]) -> None:
    """What rang together is heard once."""
    while not over():
        os.read(bell, _MOST_RINGS)
        news.tell()
    os.close(bell)
