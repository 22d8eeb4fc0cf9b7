"""An event with everything that the store knows about it."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import datetime

from scheduling.log import models
from scheduling.log.events import Event, from_data


@dataclass(frozen=True, kw_only=True, slots=True)
class Recorded:
    """A fact in the log.

    Attributes:
        position: place in the global order, from 1, without holes.
        stream: whose fact, ``kind/id``.
        version: place in the stream, from 1, without holes.
        kind: of event.
        event: what happened, in today's schema.
        said_at: when the server was told, UTC.
        happened_at: when it was so, UTC.
        actor: who said it.
        request: in which request; None outside of one.
        digest: of the stream up to here.
    """

    position: int
    stream: str
    version: int
    kind: str
    event: Event
    said_at: datetime
    happened_at: datetime
    actor: str
    request: str | None
    digest: str

    @property
    def subject(self) -> str:
        """The id of what the stream is about."""
        return self.stream.partition("/")[2]


def from_row(row: models.Event) -> Recorded:
    """A row of the log, upcast to today's schema."""
    return Recorded(
        position=row.position,
        stream=row.stream,
        version=row.version,
        kind=row.kind,
        event=from_data(row.kind, row.schema, row.data),
        said_at=row.said_at,
        happened_at=row.happened_at,
        actor=row.actor,
        request=row.request,
        digest=row.digest,
    )
