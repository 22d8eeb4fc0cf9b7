"""What people write in their own words, beside the log: the event holds its digest, so it can be blotted out.

A reason may name a person, and an event can never be changed. So the text lies in a table of its own, with random
characters before it, without which a digest of few words could be guessed at. Whoever changes it makes it
unfit for its digest, and it is not shown any more. To blot it out is to delete it, which breaks no chain; that it was
done is an event. On PostgreSQL the server's role may only add to the table (`scheduling.log.integrity.role`).

Reasons that were said before there was this table stand in their events. Those leave the log with their stream only,
by `dayroll log close`.
"""

from __future__ import annotations

import hashlib
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, fields
from datetime import datetime
from typing import Any, NamedTuple

from django.db import connections, transaction
from django.db.models import Q

from machines.chance import Chance
from machines.errors import InputError
from scheduling.log.event_records import scan
from scheduling.log.events import EVENT_KINDS
from scheduling.log.events.server import RemarkBlottedOut
from scheduling.log.models import Remark
from scheduling.log.store import Append, Attribution, append

LONGEST_REMARK = 500
SALT_BYTES = 16
# Of events that may have one; of one that was blotted out another tells.
KINDS_WITH_REMARKS = tuple(
    kind
    for cls, kind in EVENT_KINDS.items()
    if cls is not RemarkBlottedOut and any(field.name == "remark" for field in fields(cls))
)
CHANGED_AFTERWARDS = "what a person wrote at it was changed afterwards; `dayroll log blot` takes it away"
# Shown in the place of words that nobody wrote there.
FORGED = "(changed after it was written, and not shown: `dayroll log verify` says where)"


class RemarkRow(NamedTuple):
    """A remark as it lies in the table."""

    digest: str
    salt: str
    text: str

    @property
    def fits(self) -> bool:
        """Whether the text is the one that the digest was made of."""
        return digest_of(self.salt, self.text) == self.digest

    def require_fits(self) -> None:
        """Raise an InputError unless it fits."""
        if not self.fits:
            raise InputError("remark", "it was changed after it was written", "take it from another copy")


@dataclass(frozen=True, kw_only=True)
class RemarkInLog:
    """A remark and the event that holds its digest.

    Attributes:
        position: of the event.
        stream, actor: of the event.
        said_at: UTC.
        text: None where it is not there; `FORGED` where it does not fit.
        blotted_out: whether an event says that it was.
    """

    position: int
    stream: str
    actor: str
    said_at: datetime
    text: str | None
    blotted_out: bool


def digest_of(salt: str, text: str) -> str:
    """SHA-256, in hexadecimal, of the random characters and the text, with a colon in between."""
    return hashlib.sha256(f"{salt}:{text}".encode()).hexdigest()


def require_length(text: str | None) -> None:
    """Raise an InputError for a reason that is too long."""
    if text is not None and len(text) > LONGEST_REMARK:
        raise InputError("reason", f"{len(text)} characters", f"give at most {LONGEST_REMARK}")


def keep(text: str | None, chance: Chance, *, using: str = "default") -> str | None:
    """Put a text beside the log, within the caller's transaction, and give its digest; None for no text.

    Args:
        text: what a person wrote.
        chance: of which the characters before it are drawn.
        using: alias of the database.

    Raises:
        InputError: it is too long.
    """
    require_length(text)
    if not text:
        return None
    salt = chance.in_hex(SALT_BYTES)
    kept = Remark.objects.using(using).create(digest=digest_of(salt, text), salt=salt, text=text)
    return kept.digest


def text_of(digest: str | None, *, using: str = "default") -> str | None:
    """The text of a digest; None where there is none, or it was blotted out; `FORGED` where it does not fit."""
    found = None if digest is None else remark_row(digest, using=using)
    if found is None:
        return None
    return found.text if found.fits else FORGED


def remark_row(digest: str, *, using: str = "default") -> RemarkRow | None:
    """The row of a digest; None where it was blotted out."""
    row = Remark.objects.using(using).filter(digest=digest).first()
    return None if row is None else RemarkRow(row.digest, row.salt, row.text)


def take(row: RemarkRow, *, using: str) -> None:
    """Put a remark in that came from another database."""
    Remark.objects.using(using).create(**row._asdict())


def remarks(*, using: str = "default") -> Iterator[RemarkInLog]:
    """Every remark beside the log, in the order in which they were made."""
    gone = blotted_out(using=using)
    for line in scan(Q(kind__in=KINDS_WITH_REMARKS), using=using):
        digest = remark_in(line.fact().event)
        if digest is not None:
            yield RemarkInLog(
                position=line.position,
                stream=line.stream,
                actor=line.actor,
                said_at=line.said_at,
                text=text_of(digest, using=using),
                blotted_out=digest in gone,
            )


def blotted_out(*, using: str = "default") -> frozenset[str]:
    """The digests of what was blotted out, by what the log says."""
    events = (line.fact().event for line in scan(Q(kind=EVENT_KINDS[RemarkBlottedOut]), using=using))
    return frozenset(event.remark for event in events if isinstance(event, RemarkBlottedOut))


def remark_in(event: Any) -> str | None:
    """The digest that an event holds, if it does."""
    digest: str | None = getattr(event, "remark", None)
    return None if isinstance(event, RemarkBlottedOut) else digest


def forget(streams: Sequence[str], *, using: str) -> None:
    """Delete what was written at events of streams that leave the log; the archive has it."""
    for line in scan(Q(stream__in=streams, kind__in=KINDS_WITH_REMARKS), using=using):
        Remark.objects.using(using).filter(digest=remark_in(line.fact().event)).delete()


def blot_out(position: int, by: Attribution, *, using: str = "default") -> None:
    """Delete for good what a person wrote at an event, and say that it was done.

    Copies that were made before still have it: exported logs, backups. So do pages that were printed. Out of the
    database's own files it is once `scheduling.log.wiping.wipe` was called after the commit.

    Raises:
        InputError: no event has that position, or nothing was written at it; or it stands in the event itself; or this
            role of the database may not delete it.
    """
    _require_may_delete(using)
    digest = _remark_at(position, using)
    with transaction.atomic(using=using):
        Remark.objects.using(using).filter(digest=digest).delete()
        append(
            [Append(f"remark/{digest[:16]}", 0, [RemarkBlottedOut(remark=digest, at_event=position)])], by, using=using
        )


def _remark_at(position: int, using: str) -> str:
    """The digest of what can be blotted out at an event."""
    remedy = "`dayroll log remarks` lists what can be blotted out"
    line = next(scan(Q(position=position), using=using), None)
    if line is None:
        raise InputError("position", f"there is no event {position}", remedy)
    event = line.fact().event
    digest = remark_in(event)
    if digest is None and getattr(event, "reason", None):
        problem = f"event {position} was written when reasons stood in the event itself"
        raise InputError("position", problem, "only closing its stream takes it out of the log: `dayroll log close`")
    if digest is None:
        raise InputError("position", f"nobody wrote anything at event {position}", remedy)
    if text_of(digest, using=using) is None:
        raise InputError("position", f"what was written at event {position} is blotted out already", remedy)
    return digest


def _require_may_delete(using: str) -> None:
    if connections[using].vendor != "postgresql":
        return
    with connections[using].cursor() as cursor:
        cursor.execute("SELECT current_user, has_table_privilege(%s, 'DELETE')", [Remark._meta.db_table])
        role, may = cursor.fetchone()
    if not may:
        raise InputError("role", f"{role} may only add to what people wrote", "run it as the owner of the tables")
