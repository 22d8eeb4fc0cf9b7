"""Closing streams that are over: out of the log into a file that can be checked for ever, with the log left whole.

The file holds each stream from its first event to its last, as JSON lines with a signed statement at the end, in the
form of `scheduling.log.integrity.transfer`. The log keeps a fact for each: which stream, how many events, its last
digest, the digest of the file. So the log still verifies, and an archive that was changed does not fit it any more. The
views forget what only the closed streams said; what other streams said of them stays.

This is the one place where events leave the table. The facts about it, lifting the seal, deleting and sealing again are
one transaction, and the file lies on the disk, whole, before that counts.
"""

from __future__ import annotations

import hashlib
import os
from collections.abc import Callable, Sequence
from heapq import merge
from pathlib import Path

from cryptography.hazmat.primitives.asymmetric.ed25519 import Ed25519PrivateKey
from django.db import connections, transaction
from django.db.models import Model

from machines.disk import sync_folder
from machines.errors import InputError
from scheduling.log import models
from scheduling.log.codec.canonical_json import canonical
from scheduling.log.ends import lock
from scheduling.log.event_records import scan
from scheduling.log.events.server import StreamClosed
from scheduling.log.integrity import append_only
from scheduling.log.integrity.signed_head import SignedStatement, Statement, Tally, sign
from scheduling.log.integrity.transfer import ARCHIVE, write
from scheduling.log.integrity.verify import Head, walk
from scheduling.log.projections import VIEWS
from scheduling.log.rebuilding.rebuild import rebuild
from scheduling.log.remarks import forget
from scheduling.log.store import Append, Attribution, append

# What is deleted from when streams are closed, or put right by folding again without them.
TABLES: tuple[type[Model], ...] = (
    models.Event,
    models.Remark,
    models.GivenCommand,
    models.BrokenView,
    models.PassedOverEntry,
    models.Snapshot,
    models.SnapshotPart,
    *(table for view in VIEWS for table in view.tables),
)


def close_streams(
    streams: Sequence[str],
    file: Path,
    by: Attribution,
    *,
    key: Ed25519PrivateKey | None,
    require: Callable[[Sequence[str]], None] | None = None,
    using: str = "default",
) -> SignedStatement:
    """Move streams from the log into a new file, and fold the views from what remains.

    Args:
        streams: which.
        file: that does not exist yet.
        by: whoever closes them.
        key: that the archive is signed with; None for none.
        require: sees that what remains can be shown without them, while nobody else can write.
        using: the database.

    Raises:
        InputError: that said so; or a stream is not there, or keeps the archives themselves; nothing was written.
        FileExistsError: the file is there already.
        BrokenLink: a stream is not what was written.
    """
    with transaction.atomic(using=using):
        lock(using)
        if require is not None:
            require(streams)
        signed = _write(streams, file, by, key, using)
        digest = hashlib.sha256(file.read_bytes()).hexdigest()
        # First, so that they stand after all that is taken out, and no position is ever given twice.
        append([Append(f"archive/{digest[:16]}", 0, _facts(signed.statement, digest))], by, using=using)
        _take_out(streams, using)
        rebuild(using=using)
    return signed


def _facts(statement: Statement, digest: str) -> list[StreamClosed]:
    return [
        StreamClosed(closed=stream, version=head.version, digest=head.digest, file_digest=digest)
        for stream, head in sorted(statement.heads.items())
    ]


def _write(
    streams: Sequence[str], file: Path, by: Attribution, key: Ed25519PrivateKey | None, using: str
) -> SignedStatement:
    """Write the file and see it safely to the disk; where that fails, take it away again."""
    tally = Tally()
    with file.open("x", encoding="utf-8") as out:
        try:
            out.write(canonical({"format": ARCHIVE}) + "\n")
            each = [scan(stream=stream, using=using) for stream in dict.fromkeys(streams)]
            for line in walk(merge(*each), tally.heads):  # in the global order: a line begins with its position
                tally.add(line)
                write(line, out, using=using)
            _require_closable(streams, tally.heads)
            signed = sign(tally.statement(by.said_at), key)
            out.write(canonical(signed.as_json()) + "\n")
            out.flush()
            os.fsync(out.fileno())
        except BaseException:
            file.unlink()
            raise
    sync_folder(file.parent)
    return signed


def _require_closable(streams: Sequence[str], heads: dict[str, Head]) -> None:
    for stream in streams:
        if stream not in heads:
            raise InputError("stream", f"there is no {stream!r}", "name streams that are in the log")
        if stream.startswith("archive/"):
            raise InputError("stream", f"{stream!r} says what was archived", "it stays in the log")


def _take_out(streams: Sequence[str], using: str) -> None:
    """Lift the seal for this one deletion; no other connection sees the table without it."""
    forget(streams, using=using)
    given = models.GivenCommand.objects.using(using)
    given.filter(stream__in=streams).delete()
    for stream in streams:  # orders to change it, too, see `scheduling.commands.changes.KeyedOrder`
        given.filter(stream__startswith=f"{stream} ").delete()
    append_only.lift(connections[using])
    models.Event.objects.using(using).filter(stream__in=streams).delete()
    append_only.apply(connections[using])
