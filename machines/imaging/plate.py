"""One turn of dots for one machine geometry: content-addressed, immutable, cached for ever."""

from __future__ import annotations

import hashlib
import io
from collections.abc import Iterator
from dataclasses import dataclass
from functools import cached_property

import numpy as np
from numpy.typing import NDArray
from PIL import Image
from PIL.PngImagePlugin import PngImageFile

from machines.errors import InputError
from machines.imaging.pieces import bands
from machines.model.profile import LARGEST_PLATE_DOTS


def digest_head(dots_across: int, columns: int) -> bytes:
    """What stands before the dots in what is digested, so that no plate is another's turned."""
    return f"dayroll-plate/1 {dots_across} {columns}\n".encode()


@dataclass(frozen=True, eq=False)
class Plate:
    """The dots of one turn.

    Attributes:
        dots: bool, shape (dots_across, columns_per_turn); True is a dot. Row 0 is the upper edge as a viewer sees the
            paper; column 0 is phase 0. Read-only.
    """

    dots: NDArray[np.bool_]

    def __post_init__(self) -> None:
        if self.dots.ndim != 2 or self.dots.dtype != np.bool_:
            raise ValueError("a plate is a two-dimensional array of bool")
        self.dots.setflags(write=False)

    @property
    def columns(self) -> int:
        """Columns in the turn."""
        return int(self.dots.shape[1])

    @cached_property
    def digest(self) -> str:
        """SHA-256, in hexadecimal, of ``dayroll-plate/1 <dots_across> <columns>\\n`` and the dots, row by row,
        eight to a byte, the first in the highest bit, each row filled up with zeros to a whole byte.

        It names the dots and not the PNG around them, which another version of a compressor writes differently."""
        head = digest_head(*self.dots.shape)
        digest = hashlib.sha256(head)
        for rows in self._bands():
            digest.update(np.packbits(rows, axis=1).data)
        return digest.hexdigest()

    def running(self, first: int, end: int) -> NDArray[np.bool_]:
        """The dots of running columns ``first`` to ``end`` (exclusive), shape (dots_across, end - first)."""
        return self.dots[:, np.arange(first, end) % self.columns]

    def to_png(self) -> bytes:
        """The dots as a PNG of one bit a dot, black on white."""
        rows, columns = self.dots.shape
        image = Image.new("1", (columns, rows))
        top = 0
        for some in self._bands():
            image.paste(Image.fromarray(~some), (0, top))
            top += len(some)
        stream = io.BytesIO()
        image.save(stream, "PNG")
        return stream.getvalue()

    def _bands(self) -> Iterator[NDArray[np.bool_]]:
        """The dots, some rows at a time: a copy of all of them would be as large again."""
        for top, end in bands(*self.dots.shape):
            yield self.dots[top:end]

    @classmethod
    def from_png(cls, png: bytes) -> Plate:
        """Read a plate.

        Raises:
            InputError: not a PNG of one bit a dot, cut short, or larger than any machine.
        """
        try:
            # Not Image.open, which would refuse or complain of what is large for a photograph; the bound is our own.
            with PngImageFile(io.BytesIO(png)) as image:
                if image.mode != "1" or image.width * image.height > LARGEST_PLATE_DOTS:
                    raise InputError("plate", f"PNG of mode {image.mode}, {image.size}", "give one bit a dot")
                return cls(~np.asarray(image))
        except (OSError, SyntaxError) as error:
            raise InputError("plate", f"not a whole PNG ({error})", "fetch it again") from error
