"""How many wrong tries are borne: of passwords, of enrolment codes, of keys and tokens.

Wrong tries of the last quarter of an hour are counted, from one address and, of passwords, for one account too; after
as many as `MOST_WRONG` says the next is answered by "wait", right or wrong. A browser in which somebody signed in
before is counted by itself for that account, and by nothing else: nobody's tries keep out who comes every day. Keys and
tokens are the other exception: nobody guesses 256 random bits, and a venue's nodes share one address, so a good one is
never kept out by its neighbour's bad one.

The counts stand in Django's cache, so each process of a web server counts for itself, and a restart forgets.
"""

from __future__ import annotations

import hashlib
import logging
import threading
from collections.abc import Iterator
from contextlib import contextmanager
from datetime import datetime
from typing import Literal

from django.core.cache import cache

from machines.errors import DayrollError

logger = logging.getLogger(__name__)

WINDOW_S = 900

What = Literal["password", "account", "browser", "code", "key"]
MOST_WRONG: dict[What, int] = {"password": 10, "account": 100, "browser": 10, "code": 10, "key": 100}
_counting = threading.Lock()


class TooManyTries(DayrollError):
    """There were too many wrong tries; ``wait_s`` is how long until another is looked at, whole seconds."""

    def __init__(self, wait_s: int) -> None:
        super().__init__("there were too many wrong tries", f"wait {wait_s} s")
        self.wait_s = wait_s


def require_few(what: What, who: str, now: datetime) -> None:
    """See that another try may be made.

    Args:
        what: is tried.
        who: an address, the name of an account, or a known browser.
        now: this instant.

    Raises:
        TooManyTries: there were as many wrong ones as are borne. Another may be made when the oldest of them is a
            quarter of an hour ago.
    """
    wrong = _of_late(_key(what, who), now.timestamp())
    if len(wrong) >= MOST_WRONG[what]:
        raise TooManyTries(max(1, -int(-(wrong[-MOST_WRONG[what]] + WINDOW_S - now.timestamp()) // 1)))


def count_wrong(what: What, who: str, now: datetime) -> None:
    """Count a wrong try; the one with which a lock-out begins is written down."""
    key, at = _key(what, who), now.timestamp()
    with _counting:
        wrong = [*_of_late(key, at), at][-MOST_WRONG[what] :]
        cache.set(key, wrong, WINDOW_S)
    if len(wrong) == MOST_WRONG[what]:
        shown = who if who.isprintable() else repr(who)  # a name is a stranger's, and stays on its line
        logger.warning("locked out for a while, of %s: %s, after %d wrong tries", what, shown, len(wrong))


@contextmanager
def guarded(what: What, who: str, now: datetime, wrong: type[Exception]) -> Iterator[None]:
    """A try: not made after too many wrong ones, and counted as one if it raises ``wrong``.

    Raises:
        TooManyTries: there were as many wrong ones as are borne.
    """
    require_few(what, who, now)
    try:
        yield
    except wrong:
        count_wrong(what, who, now)
        raise


def _of_late(key: str, at: float) -> list[float]:
    """When there were wrong ones, POSIX seconds, oldest first."""
    return [one for one in cache.get(key, []) if one > at - WINDOW_S]


def _key(what: What, who: str) -> str:
    return hashlib.sha256(f"{what}\0{who}".encode()).hexdigest()
