"""Where uploaded files are kept: named by their SHA-256, written once, never changed."""

from __future__ import annotations

import hashlib
from collections.abc import Iterable, Iterator
from dataclasses import dataclass
from pathlib import Path

from machines.errors import DayrollError
from scheduling.rendering.atomic_files import DIGEST, name_part, write_part

# As much as the largest image that can be printed (machines.imaging.pictures.image_file).
LARGEST_UPLOAD_BYTES = 128_000_000


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
    """A folder of uploaded files, each of at most ``limit`` bytes."""

    folder: Path
    limit: int = LARGEST_UPLOAD_BYTES

    def put(self, pieces: Iterable[bytes]) -> Uploaded:
        """Keep a file that comes in pieces, without holding it in memory. One that is there already, and whole, stays.

        Raises:
            UploadTooLarge: nothing is kept.
            OSError: the disk is full, or cannot be written; nothing is kept.
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

        part = write_part(self.folder, counted())
        path = self._path(digest.hexdigest())
        if _is_whole(path):
            part.unlink()
        else:
            name_part(part, path)
        return Uploaded(digest=digest.hexdigest(), bytes=length)

    def get(self, digest: str) -> bytes:
        """A file.

        Raises:
            KeyError: no such file, or it no longer holds what it did; uploading it once more puts that right.
        """
        if not DIGEST.fullmatch(digest):
            raise KeyError(digest)
        try:
            content = self._path(digest).read_bytes()
        except FileNotFoundError:
            raise KeyError(digest) from None
        if hashlib.sha256(content).hexdigest() != digest:
            raise KeyError(digest)
        return content

    def _path(self, digest: str) -> Path:
        return self.folder / digest[:2] / digest


def _is_whole(path: Path) -> bool:
    """Whether a file is there and holds what its name says."""
    try:
        with path.open("rb") as file:
            return hashlib.file_digest(file, "sha256").hexdigest() == path.name
    except FileNotFoundError:
        return False
