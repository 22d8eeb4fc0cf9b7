"""Copying files of a backup: with their digests, down to the disk, readable by their owner alone."""

from __future__ import annotations

import hashlib
import os
from collections.abc import Iterator
from pathlib import Path

from machines.disk import make_folder, sync_folder
from server.backups.manifest import KeptFile
from server.secret import OWN_FILE

PIECE_OCTETS = 1 << 20


def copy_file(source: Path, folder: Path, name: str) -> KeptFile:
    """Copy a file into a folder of nobody else's, under a name that is not taken there."""
    target, digest, octets = folder / name, hashlib.sha256(), 0
    make_folder(target.parent)
    descriptor = os.open(target, os.O_WRONLY | os.O_CREAT | os.O_EXCL, OWN_FILE)
    with source.open("rb") as read, os.fdopen(descriptor, "wb") as written:
        while piece := read.read(PIECE_OCTETS):
            digest.update(piece)
            octets += len(piece)
            written.write(piece)
        written.flush()
        os.fsync(written.fileno())
    sync_folder(target.parent)
    return KeptFile(name=name, sha256=digest.hexdigest(), octets=octets)


def kept_file(folder: Path, name: str) -> KeptFile:
    """A file that something else has written into a backup, brought down to the disk."""
    path = folder / name
    path.chmod(OWN_FILE)
    with path.open("rb") as stream:
        digest = hashlib.file_digest(stream, "sha256").hexdigest()
        os.fsync(stream.fileno())
    return KeptFile(name=name, sha256=digest, octets=path.stat().st_size)


def whole_files(folder: Path) -> Iterator[Path]:
    """Files below a folder, in order, without those that somebody is still writing."""
    return (path for path in sorted(folder.rglob("*")) if path.suffix != ".part" and path.is_file())
