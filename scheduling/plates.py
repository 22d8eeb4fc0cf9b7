"""Where plates are kept: files named by what they hold, written once, never changed."""

from __future__ import annotations

import os
import re
import tempfile
from dataclasses import dataclass
from pathlib import Path

from machines.plate import Plate

DIGEST = re.compile(r"[0-9a-f]{64}")


@dataclass(frozen=True)
class PlateStore:
    """A folder of plates."""

    folder: Path

    def put(self, plate: Plate) -> str:
        """Keep a plate and return its digest. A plate that is there already is left as it is."""
        path = self._path(plate.digest)
        if not path.exists():
            path.parent.mkdir(parents=True, exist_ok=True)
            self._write(path, plate.to_png())
        return plate.digest

    def png(self, digest: str) -> bytes:
        """A plate as PNG.

        Raises:
            KeyError: no such plate.
        """
        if not DIGEST.fullmatch(digest):
            raise KeyError(digest)
        try:
            return self._path(digest).read_bytes()
        except FileNotFoundError:
            raise KeyError(digest) from None

    def get(self, digest: str) -> Plate:
        """A plate.

        Raises:
            KeyError: no such plate.
        """
        return Plate.from_png(self.png(digest))

    def _path(self, digest: str) -> Path:
        return self.folder / digest[:2] / f"{digest}.png"

    def _write(self, path: Path, content: bytes) -> None:
        """Write beside and rename, so that a plate is whole or not there at whatever instant the power goes."""
        handle, beside = tempfile.mkstemp(dir=path.parent, suffix=".part")
        with os.fdopen(handle, "wb") as stream:
            stream.write(content)
            stream.flush()
            os.fsync(stream.fileno())
        Path(beside).replace(path)
        folder = os.open(path.parent, os.O_RDONLY)
        try:
            os.fsync(folder)
        finally:
            os.close(folder)
