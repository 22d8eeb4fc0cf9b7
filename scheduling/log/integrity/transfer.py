"""The whole log as JSON lines: out of one database, into another, or only checked.

    {"closed_events": 0, "format": "dayroll-log/1"}  what it is, and how many events were closed into archives
    {"position": 1, "stream": ..., "data": ...}      an event a line, in the global order
    {"remark": ..., "salt": ..., "text": ...}        what a person wrote at the event before it, unless blotted out
    ...
    {"signature": ..., "statement": ...}             where it ends; a file without this line was cut short

The text of ``data`` is what the digests are over, to the byte: a line is not to be written anew. Nothing but the file
and the studio's public key is needed to check it.
"""

from __future__ import annotations

import json
from collections.abc import Callable, Iterable, Iterator
from contextlib import contextmanager, nullcontext
from datetime import datetime
from itertools import islice
from typing import IO, Any

import msgspec
import orjson
from cryptography.hazmat.primitives.asymmetric.ed25519 import Ed25519PrivateKey, Ed25519PublicKey
from django.db import connections, transaction
from django.db.models import Q

from machines.errors import InputError
from machines.serialization import format_instant, parse_instant
from scheduling.log.codec.canonical_json import canonical
from scheduling.log.ends import lock
from scheduling.log.event_records import EventRecord, insert, scan
from scheduling.log.integrity import append_only
from scheduling.log.integrity.signed_head import SignedStatement, Tally, check_end, check_signature, sign
from scheduling.log.integrity.verify import BrokenLink, Holes, closed_events, walk
from scheduling.log.models import GivenCommand
from scheduling.log.rebuilding.rebuild import rebuild
from scheduling.log.remarks import CHANGED_AFTERWARDS, KINDS_WITH_REMARKS, RemarkRow, remark_in, remark_row, take
from scheduling.log.store import last_position

FORMAT = "dayroll-log/1"
# Some streams from their first event to their last; see `scheduling.log.integrity.archive`.
ARCHIVE = "dayroll-archive/1"
CHUNK = 2000
# Of a line, what is no text, and what may be null.
_WHOLE = ("position", "version", "schema")
_MAY_LACK = ("run", "request")

Progress = Callable[[int], None]


def export_log(
    out: IO[str],
    *,
    made_at: datetime,
    key: Ed25519PrivateKey | None,
    using: str = "default",
    progress: Progress = lambda position: None,
) -> SignedStatement:
    """Write the log as it is now, each event checked on the way; what is appended meanwhile stays out.

    Raises:
        BrokenLink: an event is not what was written; the file has no last line.
    """
    last, tally = last_position(using=using), Tally()
    closed = closed_events(using=using)
    out.write(canonical({"format": FORMAT, "closed_events": closed}) + "\n")
    for line in walk(scan(Q(position__lte=last), using=using), tally.heads, Holes(closed)):
        tally.add(line)
        write(line, out, using=using)
        progress(line.position)
    signed = sign(tally.statement(made_at), key)
    out.write(canonical(signed.as_json()) + "\n")
    return signed


def check_file(
    source: Iterable[str], *, key: Ed25519PublicKey | None, progress: Progress = lambda position: None
) -> SignedStatement:
    """Check an exported file, without any database: every link, and the statement at its end.

    Args:
        source: its lines.
        key: the studio's; None checks the links and the statement, and not who made it.
        progress: called with the position of each event, once it was found good.

    Raises:
        InputError: names the line that cannot be read, or says that the file was cut short.
        BrokenLink: names the first event that does not fit.
        BadStatement: the end is not what the statement says, or the studio did not sign it.
    """
    file = LogFile(source)
    for line in file.events():
        progress(line.position)
    return file.checked(key)


def import_log(
    source: Iterable[str],
    *,
    key: Ed25519PublicKey | None = None,
    using: str = "default",
    progress: Progress = lambda position: None,
) -> SignedStatement:
    """Take an exported file into an empty log and fold the views from it: all of it or nothing.

    Raises:
        InputError: the log is not empty; or the file cannot be read.
        BrokenLink, BadStatement: as `check_file`.
    """
    file = LogFile(source)
    with transaction.atomic(using=using):
        lock(using)
        if last_position(using=using):
            raise InputError("log", "it holds events already", "import into an empty database")
        if not file.whole:
            raise InputError("format", "an archive of some streams only", "import an exported log")
        with _holes_allowed(using) if file.closed_events else nullcontext():
            events = file.events()
            while chunk := list(islice(events, CHUNK)):
                insert(chunk, using=using)
                progress(chunk[-1].position)
            for remark in file.remarks.values():
                take(remark, using=using)
            # A memory of the log that was here before: the streams of this one were begun by others.
            GivenCommand.objects.using(using).all().delete()
        signed = file.checked(key)
        rebuild(using=using)
    return signed


@contextmanager
def _holes_allowed(using: str) -> Iterator[None]:
    """Positions may be left out, of events that were closed into archives; no other connection sees it so."""
    append_only.lift(connections[using])
    yield
    append_only.apply(connections[using])


class LogFile:
    """An exported file, or an archive, on its way through: gives its events once, and then its end.

    Args:
        source: its lines.

    Attributes:
        whole: whether it is a whole log, and not some streams only.
        remarks: what people wrote at the events that were given so far, by digest.
        closed_events: how many events are missing in it that were closed into archives.

    Raises:
        InputError: it does not begin as such a file.
    """

    def __init__(self, source: Iterable[str]) -> None:
        self._lines = _numbered(source)
        self._tally = Tally()
        self.remarks: dict[str, RemarkRow] = {}
        self._end: SignedStatement | None = None
        number, text = next(self._lines, (1, ""))
        with _named(number):
            header = json.loads(text)
            if not isinstance(header, dict) or header.get("format") not in (FORMAT, ARCHIVE):
                raise InputError("format", "not a log of this kind", f"give a file that begins with {FORMAT}")
            self.whole = header["format"] == FORMAT
            self.closed_events = header["closed_events"] if self.whole else 0
            _require_type(self.closed_events, int, "closed_events")

    def events(self) -> Iterator[EventRecord]:
        """The events, each found good."""
        holes = Holes(self.closed_events) if self.whole else None
        for line in walk(self._read(), self._tally.heads, holes):
            self._tally.add(line)
            yield line

    def checked(self, key: Ed25519PublicKey | None) -> SignedStatement:
        """The statement at the end, held against the events."""
        if self._end is None:
            raise InputError("file", "it has no statement at its end", "it was cut short: export it again")
        if key is not None:
            check_signature(self._end, key)
        check_end(self._end.statement, self._tally)
        return self._end

    def _read(self) -> Iterator[EventRecord]:
        last = None
        for number, text in self._lines:
            with _named(number):
                if self._end is not None:
                    raise InputError("file", "something follows its end", "export it again")
                data = json.loads(text)
                if "statement" in data:
                    self._end = SignedStatement.from_json(data)
                    continue
                if "remark" in data:
                    self._keep(_remark(data, last))
                    continue
                last = _line(data, text)
            yield last

    def _keep(self, row: RemarkRow) -> None:
        if row.digest in self.remarks:
            raise InputError("remark", "it stands in the file twice", "leave one of the two lines out")
        self.remarks[row.digest] = row


def _numbered(source: Iterable[str]) -> Iterator[tuple[int, str]]:
    """Lines of a file with their numbers from 1."""
    lines, number = iter(source), 1
    while True:
        try:
            text = next(lines, None)
        except UnicodeDecodeError:
            raise InputError(f"line {number}", "no text in UTF-8 from there on", "give an exported file") from None
        if text is None:
            return
        yield number, text
        number += 1


@contextmanager
def _named(number: int) -> Iterator[None]:
    """Errors within say which line of the file they are about."""
    try:
        yield
    except InputError as error:
        error.within(f"line {number}")
        raise
    except (ValueError, TypeError, KeyError, RecursionError) as error:
        raise InputError(f"line {number}", f"cannot be read: {error!r}", "export the file again") from error


def write(line: EventRecord, out: IO[str], *, using: str) -> None:
    """A line of the log, and what a person wrote at it, as lines of a file.

    Raises:
        BrokenLink: that is not what was written.
    """
    out.write(written(line) + "\n")
    if (
        line.kind in KINDS_WITH_REMARKS
        and (digest := remark_in(line.fact().event))
        and (found := remark_row(digest, using=using))
    ):
        if not found.fits:
            raise BrokenLink(line, CHANGED_AFTERWARDS)
        out.write(canonical({"remark": found.digest, "salt": found.salt, "text": found.text}) + "\n")


def _remark(data: dict[str, Any], before: EventRecord | None) -> RemarkRow:
    """What a person wrote at the event before."""
    found = RemarkRow(data["remark"], data["salt"], data["text"])
    for name, value in found._asdict().items():
        _require_type(value, str, name)
    if before is None or remark_in(before.fact().event) != found.digest:
        raise InputError("remark", "it does not belong to the event before it", "export the file again")
    found.require_fits()
    return found


def written(line: EventRecord) -> str:
    """A line of the log as a line of a file."""
    instants = {"said_at": format_instant(line.said_at), "happened_at": format_instant(line.happened_at)}
    return canonical(line._asdict() | instants | {"data": orjson.Fragment(line.data)})


class _Stored(msgspec.Struct):
    """Of a line of a file, the event as it is stored."""

    data: msgspec.Raw


def _line(data: dict[str, Any], text: str) -> EventRecord:
    instants = {name: parse_instant(data[name], name) for name in ("said_at", "happened_at")}
    if unknown := set(data) - set(EventRecord._fields):
        raise InputError(min(unknown), "no such field", f"the fields are {', '.join(EventRecord._fields)}")
    canonical(data["data"])  # it can be kept
    stored = bytes(msgspec.json.decode(text, type=_Stored).data).decode()
    line = EventRecord(**data | instants | {"data": stored})
    for name, value in line._asdict().items():
        if name not in instants and not (value is None and name in _MAY_LACK):
            _require_type(value, int if name in _WHOLE else str, name)
    return line


def _require_type(value: object, wanted: type, name: str) -> None:
    """Raise an InputError for what is of another type; text must be such that it can be written down."""
    if type(value) is not wanted:
        raise InputError(name, f"{value!r} is not {'a whole number' if wanted is int else 'text'}", "export it again")
    if isinstance(value, str):
        value.encode()
