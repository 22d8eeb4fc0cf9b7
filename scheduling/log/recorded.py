"""An event with what the store knows about it."""

from __future__ import annotations

from datetime import datetime
from functools import lru_cache
from typing import NamedTuple

from scheduling.log.events import Event


class Recorded(NamedTuple):
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
        return _subject_of(self.stream)

    @property
    def run(self) -> str | None:
        """The id of the run that it is about."""
        return run_of(self.stream, self.event)


@lru_cache(maxsize=256)  # the same few streams over and over
def _subject_of(stream: str) -> str:
    return stream.partition("/")[2]


def run_of(stream: str, event: Event) -> str | None:
    """The id of the run that an event of a stream is about; None where it is about none."""
    kind, _, subject = stream.partition("/")
    return subject if kind == "run" else getattr(event, "run", None)
