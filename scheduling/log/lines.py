"""What is to be appended, made ready before anybody waits for it: each event checked, and in its text.

What is left for whoever holds the lock is where it goes: its position, and its version and digest in its stream. These
two need the stream's end, and are made ready as well where the writer says how it ended when it decided.
"""

from __future__ import annotations

import re
from collections.abc import Iterator, Sequence
from datetime import datetime
from functools import lru_cache
from typing import NamedTuple

from machines.errors import InputError
from scheduling.log.codec.digest import digest
from scheduling.log.codec.encoder import encode
from scheduling.log.ends import StreamEnd
from scheduling.log.event_records import EventRecord
from scheduling.log.events import EVENT_KINDS, Event, schema_of
from scheduling.log.recorded import run_of

STREAM = re.compile(r"(?P<kind>[a-z]+)/[a-z0-9][a-z0-9-]*")


class Teller(NamedTuple):
    """Who says all of an append, and when; as `scheduling.log.store.Attribution` has it."""

    said_at: datetime
    actor: str
    request: str | None


class Ready(NamedTuple):
    """An event of a stream as it will be written, and as everybody will read it."""

    stream: str
    kind: str
    schema: int
    data: str
    event: Event
    run: str | None
    happened_at: datetime


class Link(NamedTuple):
    """Where an event goes in its stream."""

    version: int
    previous_digest: str
    digest: str


def ready(stream: str, event: Event, otherwise_at: datetime) -> Ready:
    """An event made ready.

    Args:
        stream: ``kind/id``.
        event: to be written.
        otherwise_at: when it was so, where it does not say itself, UTC.

    Raises:
        InputError: it does not fit its own description, or the stream.
    """
    kind = EVENT_KINDS[type(event)]
    _require_stream(stream, event, kind)
    data, read = encode(event)
    happened_at = getattr(read, "at", None) or otherwise_at
    return Ready(stream, kind, schema_of(kind), data, read, run_of(stream, read), happened_at)


def chained(said: Sequence[Ready], end: StreamEnd, teller: Teller) -> Iterator[Link]:
    """The places of events of one stream, behind its end."""
    version, previous = end.version, end.digest
    for one in said:
        version += 1
        computed = digest(
            stream=one.stream,
            version=version,
            kind=one.kind,
            schema=one.schema,
            data=one.data,
            said_at=teller.said_at,
            happened_at=one.happened_at,
            actor=teller.actor,
            request=teller.request,
            previous_digest=previous,
        )
        yield Link(version, previous, computed)
        previous = computed


def line(position: int, said: Ready, link: Link, teller: Teller) -> EventRecord:
    """An event as it will lie in the table."""
    version, previous, computed = link
    stream, kind, schema, data, _, run, happened_at = said
    said_at, actor, request = teller
    return EventRecord(
        position, stream, version, kind, schema, data, run, said_at, happened_at, actor, request, previous, computed
    )


def _require_stream(stream: str, event: Event, kind: str) -> None:
    wanted = getattr(event, "stream", "machine")  # what a node tells is its machine's
    if _kind_of(stream) != wanted:
        raise InputError("stream", f"{kind} cannot stand in {stream!r}", f"append it to {wanted}/<id>")


@lru_cache(maxsize=1024)
def _kind_of(stream: str) -> str | None:
    """What a stream is about; None for what cannot be a stream's name."""
    match = STREAM.fullmatch(stream)
    return None if match is None else match["kind"]
