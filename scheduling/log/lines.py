"""The log as it lies in its table: lines, with the event still in its canonical text.

Writing, verifying, exporting and folding go through here, so that each reads the same bytes.
"""

from __future__ import annotations

import json
from collections.abc import Iterable, Iterator, Sequence
from datetime import UTC, datetime
from functools import lru_cache
from typing import Any, NamedTuple

from django.db import connections
from django.db.models import Q, TextField
from django.db.models.functions import Cast

from scheduling.log import models
from scheduling.log.digest import digest
from scheduling.log.events import Event, from_data
from scheduling.log.recorded import Recorded

CHUNK = 2000


class Line(NamedTuple):
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
        """What it says, upcast to today's schema.

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


_COLUMNS = ", ".join(Line._fields)
_INSERT = f"INSERT INTO log_event ({_COLUMNS}) VALUES ({', '.join(['%s'] * len(Line._fields))})"


@lru_cache(maxsize=64)
def _text_of_instant(instant: datetime) -> str:
    """An instant as Django keeps it in SQLite: UTC, without saying so."""
    return str(instant.astimezone(UTC).replace(tzinfo=None))


def _as_it_is(instant: datetime) -> datetime:
    return instant


def insert(lines: Iterable[Line], *, using: str) -> None:
    """Write lines within the caller's transaction."""
    connection = connections[using]
    instant = _text_of_instant if connection.vendor == "sqlite" else _as_it_is
    rows = [(*line[:7], instant(line.said_at), instant(line.happened_at), *line[9:]) for line in lines]
    with connection.cursor() as cursor:
        cursor.executemany(_INSERT, rows)


# Read as the text that they are kept as; SQLite knows no instants, and Django's way to make them takes long.
_TEXTS = ("data", "said_at", "happened_at")


@lru_cache(maxsize=64)
def _instant_of_text(text: str) -> datetime:
    return datetime.fromisoformat(text).replace(tzinfo=UTC)


def _line_of_texts(row: Sequence[Any]) -> Line:
    return Line._make((*row[:7], _instant_of_text(row[7]), _instant_of_text(row[8]), *row[9:]))


def scan(where: Q | None = None, *, after: int = 0, limit: int | None = None, using: str) -> Iterator[Line]:
    """Lines in the global order, a chunk at a time; nothing is held open in between, however slow the reader is.

    Args:
        where: only those; see `scheduling.log.models.Event`.
        after: position after which to begin.
        limit: at most so many.
        using: alias of the database.
    """
    on_sqlite = connections[using].vendor == "sqlite"
    as_text, line = (_TEXTS, _line_of_texts) if on_sqlite else (("data",), Line._make)
    columns = [Cast(name, TextField()) if name in as_text else name for name in Line._fields]
    found = models.Event.objects.using(using).filter(where or Q()).order_by("position").values_list(*columns)
    while limit is None or limit > 0:
        chunk = list(found.filter(position__gt=after)[: CHUNK if limit is None else min(CHUNK, limit)])
        yield from map(line, chunk)
        if len(chunk) < CHUNK:
            return
        after, limit = chunk[-1][0], None if limit is None else limit - CHUNK
