"""Where the log and its streams end, and who may append to them: one writer at a time.

On PostgreSQL an advisory lock is taken before anything is read, and held to the end of the transaction; SQLite lets
only one transaction write in any case.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass
from typing import Any

from django.db import connections

from scheduling.log import batched_sql
from scheduling.log.codec.digest import NONE_BEFORE
from scheduling.log.owners import Owners, planning_query
from scheduling.log.projecting.projector import BROKEN

# Any number will do, as long as nothing else in the database takes an advisory lock of the same number.
APPEND_LOCK = 0x6461_7972_6F6C_6C
# Less than the 500 terms that SQLite lets a compound question have.
STREAMS_AT_ONCE = 200
_LAST = "SELECT '', COALESCE(MAX(position), 0), '' FROM log_event"
_HEAD = """SELECT * FROM
    (SELECT stream, version, digest FROM log_event WHERE stream = %s ORDER BY version DESC LIMIT 1) AS head"""


@dataclass
class StreamEnd:
    """The end of a stream while an append goes on."""

    version: int = 0
    digest: str = NONE_BEFORE


@dataclass(frozen=True)
class Ends:
    """Where the log ends, and the streams that are asked for."""

    last: int
    streams: dict[str, StreamEnd]


def lock(using: str) -> None:
    """Within a transaction: let nobody else append until it ends."""
    batched_sql.run(_lock(using), using=using)


def begin(streams: Iterable[str], runs: Iterable[str], *, using: str) -> tuple[Ends, set[str], Owners]:
    """Within a transaction: let nobody else append until it ends; then read where streams end, which views are set
    aside, and whose runs are that machines tell of."""
    streams, runs = list(dict.fromkeys(streams)), list(dict.fromkeys(runs))
    planned = [planning_query(some) for some in _chunks(runs) if some]
    asking = [*_lock(using), BROKEN, *planned, *map(_ends_asked, _chunks(streams))]
    broken, *found = batched_sql.run(asking, using=using)[len(_lock(using)) :]
    owners = Owners(using, [row for rows in found[: len(planned)] for row in rows])
    return _ends(streams, found[len(planned) :]), {name for (name,) in broken}, owners


def end_of(stream: str, *, using: str) -> StreamEnd:
    """Where a stream ends."""
    return ends_of([stream], using=using)[stream]


def ends_of(streams: Sequence[str], *, using: str) -> dict[str, StreamEnd]:
    """Where streams end."""
    return _ends(streams, batched_sql.run(list(map(_ends_asked, _chunks(streams))), using=using)).streams


def _lock(using: str) -> list[batched_sql.Statement]:
    """What lets nobody else append until the transaction ends; SQLite lets only one write in any case."""
    if connections[using].vendor != "postgresql":
        return []
    return [("SELECT pg_advisory_xact_lock(%s)", (APPEND_LOCK,))]


def _chunks(streams: Sequence[str]) -> Iterator[Sequence[str]]:
    """Streams, so many at a time that one question can name them all; one empty chunk for none."""
    for start in range(0, max(len(streams), 1), STREAMS_AT_ONCE):
        yield streams[start : start + STREAMS_AT_ONCE]


def _ends_asked(streams: Sequence[str]) -> batched_sql.Statement:
    """The last position and the heads of streams, in one question."""
    return " UNION ALL ".join([_LAST, *[_HEAD] * len(streams)]), streams


def _ends(streams: Sequence[str], answers: Sequence[Sequence[tuple[Any, ...]]]) -> Ends:
    found, last = {stream: StreamEnd() for stream in streams}, 0
    for answer in answers:
        (_, last, _), *heads = answer
        found.update((stream, StreamEnd(version, digest)) for stream, version, digest in heads)
    return Ends(last, found)
