"""Where plates are kept: files named by what they hold, written once, never changed."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path

from machines.plate import Plate
from scheduling.files import DIGEST, name_part, write_part


@dataclass(frozen=True)
class PlateStore:
    """A folder of plates."""

    folder: Path

    def put(self, plate: Plate) -> str:
        """Keep a plate and return its digest. A plate that is there already is left as it is."""
        path = self._path(plate.digest)
        if not path.exists():
            name_part(write_part(path.parent, [plate.to_png()]), path)
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
