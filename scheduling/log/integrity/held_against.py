"""Holding a signed statement of long ago against the log as it lives: is all still there that it speaks of?

A log may grow after a statement, and streams of it may be closed into archive files. What it stated must be there all
the same: each stream's end of then as an event of that stream, and all events of then at their positions in their
order. Where streams were closed since, the order can only be told with their archives.
"""

from __future__ import annotations

import hashlib
import json
from collections.abc import Iterator, Sequence
from contextlib import ExitStack
from dataclasses import dataclass
from datetime import datetime
from heapq import merge
from pathlib import Path

from cryptography.hazmat.primitives.asymmetric.ed25519 import Ed25519PrivateKey
from django.db.models import Q

from machines.errors import InputError
from scheduling.log.event_records import EventRecord, scan
from scheduling.log.events import EVENT_KINDS
from scheduling.log.events.server import StreamClosed
from scheduling.log.integrity.signed_head import BadStatement, SignedStatement, Statement, Tally, check_order, sign
from scheduling.log.integrity.transfer import LogFile
from scheduling.log.integrity.verify import Head, Holes, Progress, closed_events, walk
from scheduling.log.store import last_position


@dataclass(frozen=True, kw_only=True)
class Held:
    """How a statement fits the log.

    Attributes:
        later: how many events the log holds that it does not speak of.
        in_order: whether the order of the others was found to be what it says.
        why_not: in words, where it was not looked at.
    """

    later: int
    in_order: bool
    why_not: str = ""


def state(
    made_at: datetime,
    *,
    key: Ed25519PrivateKey | None,
    streams: bool,
    using: str = "default",
    progress: Progress = lambda position: None,
) -> SignedStatement:
    """A statement of the log as it is now, each event checked on the way.

    Args:
        made_at: now, UTC.
        key: the studio's; None leaves it unsigned.
        streams: whether to state the end of each stream besides the order of all, so that it can be said which differs.
        using: alias of the database.
        progress: called with the position of each event, once it was found good.

    Raises:
        BrokenLink: names the first event that does not fit.
    """
    last, tally = last_position(using=using), Tally()
    for line in walk(scan(Q(position__lte=last), using=using), tally.heads, Holes(closed_events(using=using))):
        tally.add(line)
        progress(line.position)
    if not streams:
        tally.heads.clear()
    return sign(tally.statement(made_at), key)


def read_statement(file: Path) -> SignedStatement:
    """The statement in a file: of `state`, or at the end of an exported log.

    Raises:
        InputError: there is none, or it cannot be read.
    """
    last = ""
    try:
        with file.open(encoding="utf-8") as lines:
            for line in lines:
                last = line if line.strip() else last
        data = json.loads(last)
    except (ValueError, RecursionError):  # a file that is no UTF-8 among them
        data = None
    if not isinstance(data, dict) or "statement" not in data:
        raise InputError(str(file), "neither a statement nor an exported log", "give what `dayroll log head` printed")
    return SignedStatement.from_json(data)


def hold_against(
    statement: Statement,
    *,
    archives: Sequence[Path] = (),
    using: str = "default",
    progress: Progress = lambda position: None,
) -> Held:
    """Walk the log, each event checked on the way, and see that all is there that a statement speaks of.

    Args:
        statement: of this log; its signature is somebody else's concern (`signed_head.check_signature`).
        archives: files into which streams were closed since it was made.
        using: alias of the database.
        progress: called with the position of each event, once it was found good.

    Raises:
        BrokenLink: an event of the log, or of an archive, is not what was written.
        BadStatement: names the first stream that is not what it says, or says what is missing or moved.
        InputError: an archive cannot be read, or is not one of this log's.
    """
    closings = _closings(using)
    since = [one for position, one in closings if statement.through is None or position > statement.through]
    missing, then, total = dict(statement.heads), Tally(), 0
    with ExitStack() as files:
        apart = {}  # by digest: one that is given twice counts once
        for path in archives:
            digest, lines = _archived(path, since, files)
            apart[digest] = lines
        for line in merge(walk(scan(using=using), {}, Holes(closed_events(using=using))), *apart.values()):
            progress(line.position)
            total += 1
            _strike_off(missing, line)
            if statement.through is not None and line.position <= statement.through:
                then.add(line)
    _require_all(missing, {one.closed: one for _, one in closings})
    lacking = [one for one in since if one.file_digest not in apart]
    return _held(statement, then, total, lacking)


def _strike_off(missing: dict[str, Head], line: EventRecord) -> None:
    """A stream's stated end that is this event is not missing any more."""
    stated = missing.get(line.stream)
    if stated is not None and stated.version == line.version:
        if stated.digest != line.digest:
            raise BadStatement(f"{line.stream} has another event {line.version} than it says")
        del missing[line.stream]


def _require_all(missing: dict[str, Head], closings: dict[str, StreamClosed]) -> None:
    """Every stream whose stated end was not found must have been closed, at that end or after it."""
    for stream, stated in sorted(missing.items()):
        closing = closings.get(stream)
        if closing is None or closing.version < stated.version:
            raise BadStatement(f"{stream} lacks its event {stated.version}, which it speaks of")
        if closing.version == stated.version and closing.digest != stated.digest:
            raise BadStatement(f"{stream} was closed with another event {stated.version} than it says")


def _held(statement: Statement, then: Tally, total: int, lacking: Sequence[StreamClosed]) -> Held:
    """Judge what was walked of the events that it speaks of."""
    if statement.through is None:
        later = max(total - statement.events, 0)
        return Held(later=later, in_order=False, why_not="it was made before positions were stated")
    absent = statement.events - then.events
    if absent < 0:
        raise BadStatement(f"events unknown to it stand among those that it speaks of: {-absent}")
    if absent > sum(one.version for one in lacking):
        raise BadStatement(f"{absent} of the events that it speaks of are missing")
    if absent:
        files = ", ".join(sorted({one.file_digest[:16] for one in lacking}))
        why_not = f"{absent} of them were closed into archives since: give those whose SHA-256 begins with {files}"
        return Held(later=total - then.events, in_order=False, why_not=why_not)
    check_order(statement, then)
    return Held(later=total - then.events, in_order=True)


def _closings(using: str) -> list[tuple[int, StreamClosed]]:
    """What the log says was closed, each with the position of the event that says it."""
    facts = (line.fact() for line in scan(Q(kind=EVENT_KINDS[StreamClosed]), using=using))
    return [(fact.position, fact.event) for fact in facts if isinstance(fact.event, StreamClosed)]


def _archived(path: Path, since: Sequence[StreamClosed], files: ExitStack) -> tuple[str, Iterator[EventRecord]]:
    """An archive's digest and its events, checked."""
    with path.open("rb") as raw:
        digest = hashlib.file_digest(raw, "sha256").hexdigest()
    if digest not in {one.file_digest for one in since}:
        raise InputError(
            str(path), "no stream was closed into this file since", "give the archives that the log speaks of"
        )
    return digest, LogFile(files.enter_context(path.open(encoding="utf-8"))).events()
