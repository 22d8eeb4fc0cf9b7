"""Copying files of a backup: with their digests, down to the disk, readable by their owner alone."""

from __future__ import annotations

import hashlib
import os
import re
from collections.abc import Iterable
from pathlib import Path

from machines.disk import make_folder, sync_folder
from scheduling.rendering.kept_files import KeptFiles
from server.backups.manifest import KeptFile
from server.secret import OWN_FILE

PIECE_OCTETS = 1 << 20


def copy_file(source: Path, folder: Path, name: str) -> KeptFile:
    """Copy a file into a folder of nobody else's, under a name that is not taken there."""
    with source.open("rb") as read:
        return _copied(iter(lambda: read.read(PIECE_OCTETS), b""), folder, name)


def kept_names(files: KeptFiles, suffix: str = "") -> list[str]:
    """The names of what a store keeps under a digest, in order: not of what it keeps beside for itself.

    Raises:
        StoreAway: the store does not answer.
    """
    found = (name for name, _ in files.sizes(""))
    named = re.compile(rf"([0-9a-f]{{2}})/\1[0-9a-f]{{62}}{re.escape(suffix)}")
    return sorted(name for name in found if named.fullmatch(name))


def copy_kept(files: KeptFiles, source: str, folder: Path, name: str) -> KeptFile:
    """The same of what a store keeps.

    Raises:
        FileNotFoundError: it is not there any more.
        StoreAway: the store does not answer.
    """
    with files.open(source) as read:
        return _copied(read.chunks(PIECE_OCTETS), folder, name)


def _copied(pieces: Iterable[bytes], folder: Path, name: str) -> KeptFile:
    target, digest, octets = folder / name, hashlib.sha256(), 0
    make_folder(target.parent)
    descriptor = os.open(target, os.O_WRONLY | os.O_CREAT | os.O_EXCL, OWN_FILE)
    with os.fdopen(descriptor, "wb") as written:
        for piece in pieces:
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
