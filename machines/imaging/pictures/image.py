"""An uploaded image wrapped round the turn, with a measure of how far its seam will show."""

from __future__ import annotations

from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from typing import ClassVar, Literal

import numpy as np
from numpy.typing import NDArray
from PIL import Image

from machines.errors import InputError, require
from machines.imaging.pictures.checks import require_between
from machines.imaging.pictures.image_file import check_image, light_in_strips
from machines.imaging.pictures.in_pieces import InPieces
from machines.imaging.pictures.one_at_a_time import ONE_AT_A_TIME
from machines.imaging.pictures.sheet import Sheet
from machines.imaging.pictures.sky import SkyNumbers
from machines.imaging.pieces import Piece, bands


@dataclass(frozen=True, kw_only=True)
class WrappedImage(InPieces):
    """A PNG, JPEG or TIFF that was uploaded with the picture.

    It is seen as in the file, whichever way the paper moves.

    Attributes:
        fit: ``stretch``, it fills the turn and the height of the paper, whatever its proportions; ``turn``, it fills
            the turn in its own proportions, centred across the paper, cut off where the paper ends and blank where it
            does not reach; ``height``, it fills the height in its own proportions, centred at phase one half.
        mirror: left and right are exchanged.
        negative: light and dark are exchanged.
        blend_mm: length of paper over which the two ends of the image are blended into one another, so that it
            closes. The image is made longer by as much, and its last stretch laid over its first. 0 leaves the seam
            as it is.
    """

    fit: Literal["stretch", "turn", "height"] = "stretch"
    mirror: bool = False
    negative: bool = False
    blend_mm: float = 0.0
    kind: Literal["image"] = "image"

    changes_with_turn: ClassVar[bool] = False

    def __post_init__(self) -> None:
        require_between(self, 0.0, 10_000.0, "blend_mm")
        together = self.fit != "height" or self.blend_mm == 0.0
        require(together, "blend_mm", "an image that fills the height has ends of its own", "give 0, or another fit")

    def check_upload(self, upload: bytes | None) -> None:
        """Raise an InputError unless the picture can be drawn from what was uploaded with it."""
        with ONE_AT_A_TIME, _named():
            check_image(_given(upload))

    def pieces(self, sky: SkyNumbers, sheet: Sheet, upload: bytes | None = None) -> Iterator[Piece]:
        """The tone of one turn; the sky is not asked. It is scaled whole, and takes four octets a dot until then.

        Raises:
            InputError: the upload cannot be printed, or the blend is longer than half the turn.
        """
        blend = round(self.blend_mm / sheet.column_mm)
        require(
            blend <= sheet.columns // 2, "blend_mm", f"{self.blend_mm:g} mm", f"give at most {sheet.width_mm / 2:g} mm"
        )
        columns = sheet.columns + blend
        with ONE_AT_A_TIME, _named():
            shown = self._fitted(self._ink(_given(upload), sheet), sheet, columns)
        above, before = (sheet.rows - shown.height) // 2, (columns - shown.width) // 2
        for top, end in bands(sheet.rows, sheet.columns):
            tone = np.zeros((end - top, columns), dtype=np.float32)
            first, last = max(top, above), min(end, above + shown.height)
            if first < last:
                rows = np.asarray(shown.crop((0, first - above, shown.width, last - above)))
                tone[first - top : last - top, before : before + shown.width] = rows
            yield Piece(top, np.clip(_blended(tone, blend), 0.0, 1.0))

    def _ink(self, upload: bytes, sheet: Sheet) -> Image.Image:
        """The ink of the image, the way round that it is printed."""
        with light_in_strips(upload) as read:
            ink = Image.new("F", (read.width, read.height))
            for top, light in read.strips:
                strip = light if self.negative else np.float32(1.0) - light
                if (sheet.travel == "right") != self.mirror:
                    strip = np.ascontiguousarray(strip[:, ::-1])
                ink.paste(Image.fromarray(strip), (0, top))
            return ink

    def _fitted(self, ink: Image.Image, sheet: Sheet, columns: int) -> Image.Image:
        """What of the ink is shown in the middle of a sheet of that many columns, at its size."""
        if self.fit == "stretch":
            return _resized(ink, sheet.rows, columns, 1.0, 1.0)
        if self.fit == "turn":
            rows = columns * sheet.column_mm * ink.height / ink.width / sheet.row_mm
            return _resized(ink, rows, columns, sheet.rows / rows, 1.0)
        across = sheet.height_mm * ink.width / ink.height / sheet.column_mm
        return _resized(ink, sheet.rows, across, 1.0, columns / across)


def _given(upload: bytes | None) -> bytes:
    if upload is None:
        raise InputError("upload", "missing", "upload a PNG, JPEG or TIFF")
    return upload


@contextmanager
def _named() -> Iterator[None]:
    """What is wrong with the file is said of the upload."""
    try:
        yield
    except InputError as error:
        if error.field != "upload":
            error.within("upload")
        raise


def _resized(ink: Image.Image, rows: float, columns: float, rows_shown: float, columns_shown: float) -> Image.Image:
    """The middle of the ink at the size of its place.

    Only the shares of it that are shown are made: a long thin image would else be resized to something enormous."""
    down, along = min(1.0, rows_shown), min(1.0, columns_shown)
    width, height = ink.size
    box = (width * (1 - along) / 2, height * (1 - down) / 2, width * (1 + along) / 2, height * (1 + down) / 2)
    size = (max(1, round(columns * along)), max(1, round(rows * down)))
    return ink.resize(size, Image.Resampling.LANCZOS, box)


def _blended(tone: NDArray[np.float32], blend: int) -> NDArray[np.float32]:
    """The tone shorter by ``blend`` columns, its last ones faded into its first."""
    if not blend:
        return tone
    columns = tone.shape[1] - blend
    weight = (np.arange(blend, dtype=np.float32) + 0.5) / blend
    closed = tone[:, :columns].copy()
    closed[:, :blend] = tone[:, columns:] * (1 - weight) + tone[:, :blend] * weight
    return closed


def seam_visibility(tone: NDArray[np.float32]) -> float:
    """How far the closing of a turn will show: 0 not at all, 1 as an edge between blank paper and solid ink.

    The mean step in tone from the last column to the first, less what nine of ten steps between neighbouring columns
    elsewhere stay below.
    """
    steps = np.abs(np.diff(tone, axis=1)).mean(axis=0)
    across = float(np.abs(tone[:, 0] - tone[:, -1]).mean())
    return max(0.0, across - float(np.quantile(steps, 0.9)))
