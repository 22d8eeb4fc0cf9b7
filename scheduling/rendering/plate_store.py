"""Where plates are kept: files named by what they hold, written once, never changed, and removed only by
`scheduling.background.tidy_plates`.

A disk may still lose or cut short a file. Such a plate is as good as not there: nobody is given half of it, and drawing
it again puts it right (`scheduling.background.redraw_plates`).

Beside them stands what they were drawn from (`scheduling.rendering.plate_recipe`), so that the same is not drawn twice.
It is a memory: without it, it is.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from dataclasses import dataclass
from functools import cached_property
from pathlib import Path

from machines.errors import DayrollError
from machines.imaging.plate import Plate
from scheduling.rendering.atomic_files import DIGEST
from scheduling.rendering.folder_files import FolderFiles
from scheduling.rendering.kept_files import KeptFiles, StoreAway

# With this chunk a PNG ends (ISO/IEC 15948, IEND): one that was cut short does not.
_END = b"\0\0\0\0IEND\xaeB`\x82"
# As digests begin: of a store on the network, all are asked for in as many goes.
_BEGINNINGS = "0123456789abcdef"
# Of a store on the network, so many are asked for one by one before it is asked for all that it has.
ASKED_ONE_BY_ONE = 32


class PlateGone(DayrollError, KeyError):
    """A plate is not there, or not to its end.

    Attributes:
        digest: of the plate.
    """

    def __init__(self, digest: str, said: str = "is not in the server's store", remedy: str = "") -> None:
        super().__init__(f"plate {digest} {said}", remedy)
        self.digest = digest


class PlateOutOfReach(PlateGone):
    """Whether a plate is there is not known: its store does not answer."""

    def __init__(self, digest: str, away: StoreAway) -> None:
        super().__init__(digest, f"is out of reach, as {away.problem}", away.remedy)


@dataclass(frozen=True)
class PlateStore:
    """Plates in a folder, or wherever else files are kept."""

    place: Path | KeptFiles

    @cached_property
    def files(self) -> KeptFiles:
        """What keeps them."""
        return FolderFiles(self.place) if isinstance(self.place, Path) else self.place

    def put(self, plate: Plate, recipe: str | None = None) -> str:
        """Keep a plate and return its digest. A plate that is there already, and whole, is left as it is.

        Args:
            plate: to keep.
            recipe: what it was drawn from, as a digest; None for what nobody will ask for by it.

        Raises:
            OSError: the disk is full, or cannot be written; nothing is left of what could not be.
            StoreAway: the store does not answer.
        """
        if not self.has(plate.digest):
            self.files.write(_name(plate.digest), plate.to_png())
        if recipe is not None:
            self.files.write(_recipe(recipe), plate.digest.encode())
        return plate.digest

    def drawn(self, recipe: str) -> str | None:
        """The digest of the plate that was drawn from a recipe before; None where none was, or it is not there to its
        end.

        Raises:
            StoreAway: the store does not answer.
        """
        try:
            digest = self.files.read(_recipe(recipe)).decode("ascii", errors="replace")
        except FileNotFoundError:
            return None
        return digest if DIGEST.fullmatch(digest) and self.has(digest) else None

    def has(self, digest: str) -> bool:
        """Whether a plate is there to its end.

        Raises:
            StoreAway: the store does not answer.
        """
        try:
            return self.files.tail(_name(digest), len(_END)) == _END
        except FileNotFoundError:
            return False

    def missing(self, digests: Iterable[str]) -> Iterator[str]:
        """Those of some plates that are not there, in their order. On the network nothing is cut short.

        Raises:
            StoreAway: the store does not answer.
        """
        asked = list(digests)
        if self.files.is_far and len(asked) > ASKED_ONE_BY_ONE:
            there = self.sizes()
            yield from (digest for digest in asked if digest not in there)
        else:
            yield from (digest for digest in asked if not self.has(digest))

    def sizes(self) -> dict[str, int]:
        """How many octets each plate takes, by its digest; also of one that is cut short.

        Raises:
            StoreAway: the store does not answer.
        """
        every = (one for start in _BEGINNINGS for one in self.files.sizes(start))
        found = ((name.rpartition("/")[2].removesuffix(".png"), octets) for name, octets in every)
        return {digest: octets for digest, octets in found if DIGEST.fullmatch(digest)}

    def remove(self, digest: str) -> None:
        """Remove a plate, if it is there.

        Raises:
            StoreAway: the store does not answer.
        """
        self.files.delete(_name(digest))

    def png(self, digest: str) -> bytes:
        """A plate as PNG.

        Raises:
            PlateGone: no such plate, or not to its end; or nobody knows, as the store does not answer.
        """
        if not DIGEST.fullmatch(digest):
            raise PlateGone(digest)
        try:
            png = self.files.read(_name(digest))
        except FileNotFoundError:
            raise PlateGone(digest) from None
        except StoreAway as away:
            raise PlateOutOfReach(digest, away) from away
        if not png.endswith(_END):
            raise PlateGone(digest)
        return png

    def get(self, digest: str) -> Plate:
        """A plate.

        Raises:
            PlateGone: no such plate, or not to its end; or nobody knows, as the store does not answer.
        """
        return Plate.from_png(self.png(digest))


def _name(digest: str) -> str:
    return f"{digest[:2]}/{digest}.png"


def _recipe(recipe: str) -> str:
    return f"recipes/{recipe[:2]}/{recipe}"
