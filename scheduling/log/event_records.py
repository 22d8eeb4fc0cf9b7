"""The log as it lies in its table: lines, with the event still in its text.

Writing, verifying, exporting and folding go through here, so that each reads the same bytes.
"""

from __future__ import annotations

import json
from collections.abc import Collection, Iterable, Iterator, Sequence
from datetime import datetime
from functools import lru_cache
from heapq import merge
from typing import Any, NamedTuple

from django.db import connections
from django.db.models import Q, TextField
from django.db.models.functions import Cast

from machines.protocol.journal_entries import ColumnsPrinted
from scheduling.log import models
from scheduling.log.codec.decoder import read_event
from scheduling.log.codec.digest import digest, instant_text
from scheduling.log.events import EVENT_CLASSES, EVENT_KINDS, Event, from_data
from scheduling.log.recorded import Recorded

CHUNK = 2000
# Nine events of ten are of this kind.
FREQUENT = EVENT_KINDS[ColumnsPrinted]


class EventRecord(NamedTuple):
    """One event with everything that the table says about it, in the order of its columns."""

    position: int
    stream: str
    version: int
    kind: str
    schema: int
    data: str
    run: str | None
    said_at: datetime
    happened_at: datetime
    actor: str
    request: str | None
    previous_digest: str
    digest: str

    def fact(self) -> Recorded:
        """What it says, upcast to today's schema, with all checks; see `facts` for many.

        Raises:
            InputError: the data do not fit the schema.
            KeyError: no such kind, or no way up from its version.
        """
        return self.saying(from_data(self.kind, self.schema, json.loads(self.data)))

    def saying(self, event: Event) -> Recorded:
        """The fact that it is, with the event that its data say."""
        return Recorded(
            self.position,
            self.stream,
            self.version,
            self.kind,
            event,
            self.said_at,
            self.happened_at,
            self.actor,
            self.request,
            self.digest,
        )

    def computed_digest(self) -> str:
        """The digest that it should have."""
        return digest(
            stream=self.stream,
            version=self.version,
            kind=self.kind,
            schema=self.schema,
            data=self.data,
            said_at=self.said_at,
            happened_at=self.happened_at,
            actor=self.actor,
            request=self.request,
            previous_digest=self.previous_digest,
        )


_COLUMNS = ", ".join(EventRecord._fields)
_COPY = f"COPY log_event ({_COLUMNS}) FROM STDIN"
_INSERT = f"INSERT INTO log_event ({_COLUMNS}) VALUES ({', '.join(['%s'] * len(EventRecord._fields))})"


@lru_cache(maxsize=64)
def text_of_instant(instant: datetime) -> str:
    """An instant as Django keeps it in SQLite: UTC, without saying so."""
    text = str(instant)
    if text.endswith("+00:00"):
        return text[:-6]
    return instant_text(instant).replace("T", " ").removesuffix("Z").removesuffix(".000000")


def insert(lines: Iterable[EventRecord], *, using: str) -> None:
    """Write lines within the caller's transaction."""
    connection = connections[using]
    is_sqlite = connection.vendor == "sqlite"
    as_text = text_of_instant if is_sqlite else instant_text
    rows = [(*line[:7], as_text(line.said_at), as_text(line.happened_at), *line[9:]) for line in lines]
    with connection.cursor() as cursor:
        if len(rows) == 1:
            cursor.execute(_INSERT, rows[0])
        elif is_sqlite:
            cursor.executemany(_INSERT, rows)
        elif rows:
            # The quickest way in for many, and no less checked; Django does not know it, nor its errors.
            with connection.wrap_database_errors, cursor.copy(_COPY) as copy:
                for row in rows:
                    copy.write_row(row)


def scan(where: Q | None = None, *, stream: str | None = None, after: int = 0, using: str) -> Iterator[EventRecord]:
    """Lines in the global order, a chunk at a time; nothing is held open in between, however slow the reader is.

    Args:
        where: only those; see `scheduling.log.models.Event`.
        stream: only of this one.
        after: position after which to begin.
        using: alias of the database.
    """
    for row in _rows(EventRecord._fields, where, stream, after, using):
        yield EventRecord._make((*row[:7], _instant(row[7]), _instant_in(row[8]), *row[9:]))


def facts(
    where: Q | None = None,
    *,
    stream: str | None = None,
    kinds: Collection[str] = EVENT_CLASSES,
    after: int = 0,
    after_version: int = 0,
    using: str,
) -> Iterator[Recorded]:
    """What the lines say, as `scan` gives them, upcast to today's schema and taken for what was written.

    Args:
        where, stream, after, using: as for `scan`.
        kinds: only of these.
        after_version: version of the stream after which to begin.
    """
    for row in _rows_of(kinds, where, stream, after, using, after_version):
        position, of_stream, version, kind, data, said_at, happened_at, actor, request, digest, schema = row
        if kind in kinds:
            event, said, happened = read_event(kind, schema, data), _instant(said_at), _instant_in(happened_at)
            yield Recorded(position, of_stream, version, kind, event, said, happened, actor, request, digest)


def _rows_of(
    kinds: Collection[str], where: Q | None, stream: str | None, after: int, using: str, after_version: int
) -> Iterator[tuple[Any, ...]]:
    """Lines of some kinds, and perhaps of others. A database that is asked for several kinds at once sorts them anew
    for every chunk: so each rare kind is walked by itself, and where the frequent one is wanted, everything is read."""
    if FREQUENT in kinds:
        return _rows(_OF_A_FACT, where, stream, after, using, after_version)
    walks = [
        _rows(_OF_A_FACT, Q(kind=kind) & (where or Q()), stream, after, using, after_version) for kind in sorted(kinds)
    ]
    return merge(*walks)


_OF_A_FACT = (
    "position", "stream", "version", "kind", "data", "said_at", "happened_at", "actor", "request", "digest", "schema",
)  # fmt: skip
# Read as text: Django's way to make them takes long.
_TEXTS = ("data", "said_at", "happened_at")


def _rows(
    names: Sequence[str], where: Q | None, stream: str | None, after: int, using: str, after_version: int = 0
) -> Iterator[tuple[Any, ...]]:
    """Columns of the lines, in the global order; a stream's versions are in that order as well, and have an index."""
    columns = [Cast(name, TextField()) if name in _TEXTS else name for name in names]
    found = models.Event.objects.using(using).filter(where or Q()).values_list(*columns)
    order, reached = ("position", after) if stream is None else ("version", after_version)
    if stream is not None:
        found = found.filter(stream=stream, position__gt=after)
    chunk = None
    while chunk is None or len(chunk) == CHUNK:
        chunk = list(found.filter(**{f"{order}__gt": reached}).order_by(order)[:CHUNK])
        yield from chunk
        reached = chunk[-1][names.index(order)] if chunk else reached


def _instant_in(text: str) -> datetime:
    """An instant from a database's text: PostgreSQL says that it is UTC (`+00`), SQLite leaves it out."""
    return datetime.fromisoformat(text if "+" in text else text + "+00:00")


_instant = lru_cache(maxsize=64)(_instant_in)  # all events of an append were said at one instant
