"""Claims: that only one of those who would do the same work does it, where doing it twice is harmless and dear."""

from __future__ import annotations

import logging
import threading
import zlib
from collections.abc import Iterator
from contextlib import contextmanager

from django.db import DEFAULT_DB_ALIAS, Error, connections

logger = logging.getLogger(__name__)

# PostgreSQL has a space of its own for locks of two numbers: that of the log's end, which is one number, is not in it.
CLAIMS = 1
_ours: set[str] = set()
_changing = threading.Lock()


@contextmanager
def claimed(what: str, using: str = DEFAULT_DB_ALIAS) -> Iterator[bool]:
    """Claim some work for as long as the block lasts, and wait for nobody.

    On PostgreSQL the claim is a lock of the session: it ends with the connection, however its process ends. So nothing
    may stand between that hands a session on from one transaction to the next. Elsewhere it is the process's own, as
    one process does all work there. It saves work and guards nothing: what is done twice all the same, as after a
    connection was lost, has to come out right by the versions of streams.

    Args:
        what: a name of the work. Two names may have one lock, rarely; then the one waits for its next time.
        using: the database.

    Yields:
        whether it is ours; where it is not, somebody else is at it.
    """
    take, leave = (_lock, _unlock) if connections[using].vendor == "postgresql" else (_note, _forget)
    ours = take(what, using)
    try:
        yield ours
    finally:
        if ours:
            leave(what, using)


def _lock(what: str, using: str) -> bool:
    return _asked("SELECT pg_try_advisory_lock(%s, %s)", what, using)


def _unlock(what: str, using: str) -> None:
    """Let go. Where that cannot be done, the connection is closed: with its session whatever it holds is let go of, and
    no claim stays with a connection that goes on."""
    try:
        if _asked("SELECT pg_advisory_unlock(%s, %s)", what, using):
            return
        why = "this session does not hold it: its connection was another's meanwhile, or lost and made anew"
    except Error as error:
        why = str(error)
    logger.warning("the claim on %r could not be let go of, so the connection is closed: %s", what, why)
    connections[using].close()


def _asked(query: str, what: str, using: str) -> bool:
    number = int.from_bytes(zlib.crc32(what.encode()).to_bytes(4, "big"), "big", signed=True)
    with connections[using].cursor() as cursor:
        cursor.execute(query, (CLAIMS, number))
        return bool(cursor.fetchone()[0])


def _note(what: str, using: str) -> bool:
    with _changing:
        is_free = what not in _ours
        _ours.add(what)
    return is_free


def _forget(what: str, using: str) -> None:
    with _changing:
        _ours.discard(what)
