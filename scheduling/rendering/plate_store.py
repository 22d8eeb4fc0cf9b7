"""Where plates are kept: files named by what they hold, written once, never changed, and removed only by
`scheduling.background.tidy_plates`.

A disk may still lose or cut short a file. Such a plate is as good as not there: nobody is given half of it, and drawing
it again puts it right (`scheduling.background.redraw_plates`).

Beside them stands what they were drawn from (`scheduling.rendering.plate_recipe`), so that the same is not drawn twice.
It is a memory: without it, it is.
"""

from __future__ import annotations

import os
from dataclasses import dataclass
from pathlib import Path

from machines.errors import DayrollError
from machines.imaging.plate import Plate
from scheduling.rendering.atomic_files import DIGEST, name_part, write_part

# With this chunk a PNG ends (ISO/IEC 15948, IEND): one that was cut short does not.
_END = b"\0\0\0\0IEND\xaeB`\x82"


class PlateGone(DayrollError, KeyError):
    """A plate is not there, or not to its end.

    Attributes:
        digest: of the plate.
    """

    def __init__(self, digest: str) -> None:
        super().__init__(f"plate {digest} is not on the server's disk")
        self.digest = digest


@dataclass(frozen=True)
class PlateStore:
    """A folder of plates."""

    folder: Path

    def put(self, plate: Plate, recipe: str | None = None) -> str:
        """Keep a plate and return its digest. A plate that is there already, and whole, is left as it is.

        Args:
            plate: to keep.
            recipe: what it was drawn from, as a digest; None for what nobody will ask for by it.

        Raises:
            OSError: the disk is full, or cannot be written; nothing is left of what could not be.
        """
        if not self.has(plate.digest):
            name_part(write_part(self.folder, [plate.to_png()]), self._path(plate.digest))
        if recipe is not None:
            name_part(write_part(self.folder, [plate.digest.encode()]), self._recipe(recipe))
        return plate.digest

    def drawn(self, recipe: str) -> str | None:
        """The digest of the plate that was drawn from a recipe before; None where none was, or it is not there to its
        end."""
        try:
            digest = self._recipe(recipe).read_text("ascii", errors="replace")
        except FileNotFoundError:
            return None
        return digest if DIGEST.fullmatch(digest) and self.has(digest) else None

    def has(self, digest: str) -> bool:
        """Whether a plate is there to its end."""
        try:
            with self._path(digest).open("rb") as file:
                size = file.seek(0, os.SEEK_END)
                file.seek(max(0, size - len(_END)))
                return file.read() == _END
        except FileNotFoundError:
            return False

    def sizes(self) -> dict[str, int]:
        """How many octets each plate takes, by its digest; also of one that is cut short."""
        files = self.folder.glob("??/*.png")
        return {file.stem: file.stat().st_size for file in files if DIGEST.fullmatch(file.stem)}

    def remove(self, digest: str) -> None:
        """Remove a plate, if it is there."""
        self._path(digest).unlink(missing_ok=True)

    def png(self, digest: str) -> bytes:
        """A plate as PNG.

        Raises:
            PlateGone: no such plate, or not to its end.
        """
        if not DIGEST.fullmatch(digest):
            raise PlateGone(digest)
        try:
            png = self._path(digest).read_bytes()
        except FileNotFoundError:
            raise PlateGone(digest) from None
        if not png.endswith(_END):
            raise PlateGone(digest)
        return png

    def get(self, digest: str) -> Plate:
        """A plate.

        Raises:
            PlateGone: no such plate, or not to its end.
        """
        return Plate.from_png(self.png(digest))

    def _path(self, digest: str) -> Path:
        return self.folder / digest[:2] / f"{digest}.png"

    def _recipe(self, recipe: str) -> Path:
        return self.folder / "recipes" / recipe[:2] / recipe
