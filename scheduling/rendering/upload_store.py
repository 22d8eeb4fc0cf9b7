"""Where uploaded files are kept: named by their SHA-256, written once, never changed."""

from __future__ import annotations

import hashlib
from collections.abc import Iterable, Iterator
from dataclasses import dataclass
from functools import cached_property
from pathlib import Path

from machines.errors import DayrollError
from scheduling.rendering.atomic_files import DIGEST, write_part
from scheduling.rendering.folder_files import FolderFiles
from scheduling.rendering.kept_files import KeptFiles

# As much as the largest image that can be printed (machines.imaging.pictures.image_file).
LARGEST_UPLOAD_BYTES = 128_000_000
PIECE_BYTES = 1 << 20


class UploadTooLarge(DayrollError):
    """More bytes than an upload may have."""

    def __init__(self, limit: int) -> None:
        super().__init__(f"The file is longer than {limit:,} bytes")
        self.limit = limit


@dataclass(frozen=True, kw_only=True)
class Uploaded:
    """A file that is kept: its SHA-256 in hexadecimal, by which a source names it, and its length."""

    digest: str
    bytes: int


@dataclass(frozen=True)
class UploadStore:
    """Uploaded files in a folder, or wherever else files are kept, each of at most ``limit`` bytes."""

    place: Path | KeptFiles
    limit: int = LARGEST_UPLOAD_BYTES

    @cached_property
    def files(self) -> KeptFiles:
        """What keeps them."""
        return FolderFiles(self.place) if isinstance(self.place, Path) else self.place

    def put(self, pieces: Iterable[bytes]) -> Uploaded:
        """Keep a file that comes in pieces, without holding it in memory. One that is there already, and whole, stays.

        Raises:
            UploadTooLarge: nothing is kept.
            OSError: the disk is full, or cannot be written; nothing is kept.
            StoreAway: the store does not answer.
        """
        digest, length = hashlib.sha256(), 0

        def counted() -> Iterator[bytes]:
            nonlocal length
            for piece in pieces:
                length += len(piece)
                if length > self.limit:
                    raise UploadTooLarge(self.limit)
                digest.update(piece)
                yield piece

        with self.files.parts() as folder:
            part = write_part(folder, counted())
            try:
                if not self._is_whole(digest.hexdigest()):
                    self.files.take(_name(digest.hexdigest()), part)
            finally:
                part.unlink(missing_ok=True)
        return Uploaded(digest=digest.hexdigest(), bytes=length)

    def get(self, digest: str) -> bytes:
        """A file.

        Raises:
            KeyError: no such file, or it no longer holds what it did; uploading it once more puts that right.
            StoreAway: the store does not answer.
        """
        if not DIGEST.fullmatch(digest):
            raise KeyError(digest)
        try:
            content = self.files.read(_name(digest))
        except FileNotFoundError:
            raise KeyError(digest) from None
        if hashlib.sha256(content).hexdigest() != digest:
            raise KeyError(digest)
        return content

    def _is_whole(self, digest: str) -> bool:
        """Whether a file is there and holds what its name says."""
        try:
            with self.files.open(_name(digest)) as file:
                found = hashlib.sha256()
                for piece in file.chunks(PIECE_BYTES):
                    found.update(piece)
        except FileNotFoundError:
            return False
        return found.hexdigest() == digest


def _name(digest: str) -> str:
    return f"{digest[:2]}/{digest}"
