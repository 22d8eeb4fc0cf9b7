"""Writing to the log: many streams in one transaction, the views folded with them.

One writer appends at a time (`scheduling.log.ends`). So positions are given without holes in the order of the commits,
and a reader that has seen a position has seen all before it.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass
from datetime import datetime
from heapq import merge
from itertools import islice
from operator import attrgetter
from time import perf_counter
from typing import Any

from django.db import transaction
from django.db.models import Max, Q
from django.dispatch import Signal

from machines.errors import DayrollError, InputError
from machines.protocol.journal_entries import Entry
from scheduling.log import models
from scheduling.log.ends import Ends, StreamEnd, begin, end_of, ends_of
from scheduling.log.event_records import EventRecord, facts, insert, scan
from scheduling.log.events import ENTRY_CLASSES, EVENT_CLASSES, Event
from scheduling.log.events.reports import AboutReports, EntryPassedOver
from scheduling.log.events.server import StreamClosed
from scheduling.log.lines import Link, Ready, Teller, chained, line, ready
from scheduling.log.projecting.projector import FoldFailed, PassedEntry, fold_apart, fold_live, require_kept
from scheduling.log.recorded import Recorded

# Sent after each append that went well, for whoever counts: ``events`` is how many, ``waited_s`` how long it took until
# it was our turn, ``took_s`` how long all of it did. Within a transaction of the caller's, both are of this part of it.
appended = Signal()
LONGEST_PROBLEM = 500
# Facts that come from outside, and what is said of them: kept whatever state the views are in.
_KEPT = Entry | AboutReports | StreamClosed


@dataclass(frozen=True, kw_only=True)
class Attribution:
    """Who says so, and when.

    Attributes:
        actor: an account's id, a node, a background job; never a person's name.
        request: id of the request; None outside of one.
        said_at: UTC.
    """

    actor: str
    request: str | None
    said_at: datetime


@dataclass(frozen=True)
class Append:
    """Events for one stream.

    Attributes:
        stream: ``kind/id``.
        expected_version: the stream's version that the writer decided upon, 0 for a new stream; None where any will do.
        events: in order.
        happened_at: when it was so, where that is not when it was said. A node's entries tell it themselves.
        digest: of the expected version, where the writer read it: then nobody waits while digests are computed.
    """

    stream: str
    expected_version: int | None
    events: Sequence[Event]
    happened_at: datetime | None = None
    digest: str | None = None


class VersionConflict(DayrollError):
    """Somebody else appended to the stream first; read again, decide again.

    Attributes:
        stream: which.
        expected: the version that the writer knew.
        actual: the stream's version now.
        changes: what was appended in between, in order.
    """

    def __init__(self, stream: str, expected: int, actual: int, changes: tuple[Recorded, ...]) -> None:
        kinds = ", ".join(change.kind for change in changes) or "nothing"
        super().__init__(f"{stream} is at version {actual}, not {expected}; since then: {kinds}")
        self.stream = stream
        self.expected = expected
        self.actual = actual
        self.changes = changes


def append(
    appends: Sequence[Append], by: Attribution, *, stands_on: Sequence[str] = (), using: str = "default"
) -> tuple[Recorded, ...]:
    """Write events and fold them into the views: all of it or nothing.

    Within a transaction of the caller's it becomes true with that transaction.

    Args:
        appends: what to append; a stream may occur more than once.
        by: who says so.
        stands_on: streams that it was decided upon, which must not have been closed into an archive since.
        using: alias of the database.

    Returns:
        What was written, in order.

    Raises:
        VersionConflict: a stream is not at the expected version.
        InputError: an event does not fit its own description, or its stream; or a stream was closed into an archive.
        ViewsSetAside: a view that would have to take an event is set aside. What a node told is kept all the same.
    """
    began_s, ahead = perf_counter(), [_ahead(one, by) for one in appends]
    try:
        return _append(ahead, began_s, by, stands_on, using, fold_live)
    except FoldFailed:  # all was rolled back; once more, with each view by itself
        return _append(ahead, began_s, by, stands_on, using, fold_apart)


@dataclass(frozen=True)
class _Ahead:
    """What is done of an append before anybody waits.

    Attributes:
        one: what to append.
        said: its events.
        links: their places, where it is known how the stream ends.
    """

    one: Append
    said: list[Ready]
    links: list[Link]


def _ahead(one: Append, by: Attribution) -> _Ahead:
    said = [ready(one.stream, event, one.happened_at or by.said_at) for event in one.events]
    if one.expected_version is None or one.digest is None:
        return _Ahead(one, said, [])
    return _Ahead(one, said, [*chained(said, StreamEnd(one.expected_version, one.digest), _teller(by))])


def _teller(by: Attribution) -> Teller:
    return Teller(by.said_at, by.actor, by.request)


def _append(
    ahead: Sequence[_Ahead],
    began_s: float,
    by: Attribution,
    stands_on: Sequence[str],
    using: str,
    fold: Callable[..., list[PassedEntry]],
) -> tuple[Recorded, ...]:
    appends, asked_s = [one.one for one in ahead], perf_counter()
    with transaction.atomic(using=using):
        ends, broken, owners = begin([one.stream for one in appends], _told_of(appends), using=using)
        waited_s = perf_counter() - asked_s
        require_kept((event for one in appends for event in one.events if not isinstance(event, _KEPT)), broken)
        written = _written(ahead, by, ends, stands_on, using)
        insert([record for record, _ in written], using=using)
        said = tuple(fact for _, fact in written)
        if passed := fold(said, broken=broken, owners=owners, using=using):
            append([_told(one) for one in passed], by, using=using)
    appended.send(None, events=len(said), waited_s=waited_s, took_s=perf_counter() - began_s)
    return said


def _told_of(appends: Sequence[Append]) -> Iterator[str]:
    """Ids of the runs that machines tell of."""
    told = (event for one in appends for event in one.events if type(event) in ENTRY_CLASSES)
    return (run for event in told if (run := getattr(event, "run", None)) is not None)


def _told(passed: PassedEntry) -> Append:
    """What is said of an entry that a view went on without."""
    event: Any = passed.fact.event
    said = EntryPassedOver(seq=event.seq, view=passed.view.name, problem=passed.why[:LONGEST_PROBLEM])
    return Append(passed.fact.stream, None, [said])


def stream_version(stream: str, *, using: str = "default") -> int:
    """The version of a stream; 0 where there is none."""
    return stream_end(stream, using=using).version


def stream_end(stream: str, *, using: str = "default") -> StreamEnd:
    """Where a stream ends, for whoever decides upon it and appends much."""
    return end_of(stream, using=using)


def stream_versions(streams: Sequence[str], *, using: str = "default") -> dict[str, int]:
    """The versions of streams; 0 for one that there is not."""
    return {stream: end.version for stream, end in ends_of(streams, using=using).items()}


def last_position(*, using: str = "default") -> int:
    """Position of the newest event; 0 in an empty log."""
    return models.Event.objects.using(using).aggregate(last=Max("position"))["last"] or 0


def read(
    *,
    streams: Sequence[str] = (),
    kinds: Sequence[str] = (),
    run: str | None = None,
    after: int = 0,
    through: int | None = None,
    limit: int | None = None,
    using: str = "default",
) -> Iterator[Recorded]:
    """Facts in the global order.

    Args:
        streams: only of these; empty for all.
        kinds: only of these kinds; empty for all.
        run: only about this run.
        after: position after which to begin.
        through: last position wanted.
        limit: at most so many.
        using: alias of the database.
    """
    where = Q()
    if run is not None:
        where &= Q(run=run)
    if through is not None:
        where &= Q(position__lte=through)
    walks = [
        facts(where, stream=stream, kinds=kinds or EVENT_CLASSES, after=after, using=using)
        for stream in dict.fromkeys(streams or (None,))
    ]
    return islice(merge(*walks, key=attrgetter("position")), limit)


def _written(
    ahead: Sequence[_Ahead], by: Attribution, ends: Ends, stands_on: Sequence[str], using: str
) -> list[tuple[EventRecord, Recorded]]:
    """The lines to be written, numbered and chained, and what each says."""
    position, heads = ends.last, ends.streams
    begun = [stream for stream, head in heads.items() if head.version == 0]
    require_never_closed([*begun, *stands_on], using=using)
    written, teller = [], _teller(by)
    for one in ahead:
        head = heads[one.one.stream]
        _require_version(one.one, head, using)
        is_known = one.links and one.links[0].previous_digest == head.digest
        links = one.links if is_known else chained(one.said, head, teller)
        for said, link in zip(one.said, links, strict=True):
            position += 1
            head.version, head.digest = link.version, link.digest
            record = line(position, said, link, teller)
            written.append((record, record.saying(said.event)))
    return written


def require_never_closed(streams: Sequence[str], *, using: str = "default") -> None:
    """Raise an InputError if one of some streams, that are to begin or are stood on, was closed into an archive."""
    if not streams:
        return
    closed = models.ClosedStream.objects.using(using).filter(stream__in=streams).first()
    if closed is not None:
        raise InputError("stream", f"{closed.stream} was closed into an archive", "choose another id")


def _require_version(one: Append, head: StreamEnd, using: str) -> None:
    if one.expected_version is None or one.expected_version == head.version:
        return
    newer = scan(Q(version__gt=one.expected_version), stream=one.stream, using=using)
    raise VersionConflict(one.stream, one.expected_version, head.version, tuple(line.fact() for line in newer))
