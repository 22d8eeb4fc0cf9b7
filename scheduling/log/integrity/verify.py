"""Walking the log from its beginning: every link of every stream's chain, and every event by its schema."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from dataclasses import dataclass

from django.db.models import Q

from machines.errors import DayrollError, InputError
from scheduling.log.codec.digest import NONE_BEFORE
from scheduling.log.event_records import EventRecord, scan
from scheduling.log.events import EVENT_KINDS
from scheduling.log.events.server import StreamClosed
from scheduling.log.recorded import Recorded

Progress = Callable[[int], None]


class BrokenLink(DayrollError):
    """The log is not what was written.

    Attributes:
        line: the first line that does not fit.
        problem: what is wrong with it, and which it is.
    """

    def __init__(self, line: EventRecord, problem: str) -> None:
        super().__init__(f"event {line.position} ({line.stream} version {line.version}, {line.kind}): {problem}")
        self.line = line


@dataclass(frozen=True)
class Head:
    """The end of a stream."""

    version: int
    digest: str


def verify(*, using: str = "default", progress: Progress = lambda position: None) -> dict[str, Head]:
    """Walk the log and return the head of every stream.

    Args:
        using: alias of the database.
        progress: called with the position of each event, once it was found good.

    Raises:
        BrokenLink: names the first event that does not fit.
    """
    heads: dict[str, Head] = {}
    for line in walk(scan(using=using), heads, Holes(closed_events(using=using))):
        progress(line.position)
    return heads


class Holes:
    """Positions that no event has, because their streams were closed into archive files.

    There may never be more of them than events were closed, and at the end there must be as many: so no other event
    can go missing unseen.

    Args:
        closed_events: how many events were closed, by the log as a whole.
    """

    def __init__(self, closed_events: int) -> None:
        self.closed_events = closed_events
        self.seen = 0
        self.explained = 0

    def before(self, line: EventRecord, positions: int) -> None:
        """So many positions before a line have no event."""
        self.seen += positions
        if self.seen > self.closed_events:
            raise BrokenLink(line, "events are missing before it")

    def explain(self, event: StreamClosed) -> None:
        """An event that says how many were closed."""
        self.explained += event.version

    def end(self, line: EventRecord) -> None:
        """After the last line."""
        if not self.seen == self.explained == self.closed_events:
            raise BrokenLink(line, f"up to it {self.seen} events are missing, and {self.explained} were closed")


def closed_events(*, using: str) -> int:
    """How many events were closed into archive files, by what the log says.

    Raises:
        BrokenLink: what it says cannot be read.
    """
    closings = (_check_event(line).event for line in scan(Q(kind=EVENT_KINDS[StreamClosed]), using=using))
    return sum(event.version for event in closings if isinstance(event, StreamClosed))


def walk(lines: Iterator[EventRecord], heads: dict[str, Head], holes: Holes | None = None) -> Iterator[EventRecord]:
    """Pass lines of the whole log on, each once it was found good, and keep the heads up.

    Args:
        lines: in the global order.
        heads: of every stream so far.
        holes: what may be missing; None where only some streams are walked.

    Raises:
        BrokenLink: names the first that does not fit.
    """
    before, line = 0, None
    for line in lines:
        if line.position <= before:
            raise BrokenLink(line, f"it stands after event {before}")
        if holes is not None:
            holes.before(line, line.position - before - 1)
        before = line.position
        _check_link(line, heads.get(line.stream, Head(0, NONE_BEFORE)))
        fact = _check_event(line)
        if holes is not None and isinstance(fact.event, StreamClosed):
            holes.explain(fact.event)
        heads[line.stream] = Head(line.version, line.digest)
        yield line
    if line is not None and holes is not None:
        holes.end(line)


def _check_link(line: EventRecord, head: Head) -> None:
    if line.version != head.version + 1:
        raise BrokenLink(line, f"its stream was at version {head.version} before it")
    if line.previous_digest != head.digest:
        raise BrokenLink(line, "it does not follow from the event before it in its stream")
    if line.computed_digest() != line.digest:
        raise BrokenLink(line, "it was changed after it was written")


def _check_event(line: EventRecord) -> Recorded:
    try:
        fact = line.fact()
    except (InputError, KeyError, ValueError) as error:
        raise BrokenLink(line, f"it cannot be read: {error}") from error
    if fact.run != line.run:
        raise BrokenLink(line, f"it is about the run {fact.run!r}, but is filed under {line.run!r}")
    return fact
