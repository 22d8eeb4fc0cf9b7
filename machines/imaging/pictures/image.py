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
from machines.imaging.pictures.image_file import check_image, read_light
from machines.imaging.pictures.one_at_a_time import ONE_AT_A_TIME
from machines.imaging.pictures.sheet import Sheet
from machines.imaging.pictures.sky import SkyNumbers


@dataclass(frozen=True, kw_only=True)
class WrappedImage:
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

    def draw(self, sky: SkyNumbers, sheet: Sheet, upload: bytes | None = None) -> NDArray[np.float32]:
        """The tone of one turn; the sky is not asked.

        Raises:
            InputError: the upload cannot be printed, or the blend is longer than half the turn.
        """
        blend = round(self.blend_mm / sheet.column_mm)
        require(
            blend <= sheet.columns // 2, "blend_mm", f"{self.blend_mm:g} mm", f"give at most {sheet.width_mm / 2:g} mm"
        )
        with ONE_AT_A_TIME:
            with _named():
                ink = read_light(_given(upload))
            if not self.negative:
                np.subtract(np.float32(1.0), ink, out=ink)
            if (sheet.travel == "right") != self.mirror:
                _mirror(ink)
            tone = self._fitted(ink, sheet, sheet.columns + blend)
        return np.clip(_blended(tone, blend), 0.0, 1.0)

    def _fitted(self, ink: NDArray[np.float32], sheet: Sheet, columns: int) -> NDArray[np.float32]:
        """The ink laid on a blank sheet of that many columns."""
        height, width = ink.shape
        if self.fit == "stretch":
            return _resized(ink, sheet.rows, columns, 1.0, 1.0)
        if self.fit == "turn":
            rows = columns * sheet.column_mm * height / width / sheet.row_mm
            return _centred(_resized(ink, rows, columns, sheet.rows / rows, 1.0), sheet.rows, axis=0)
        across = sheet.height_mm * width / height / sheet.column_mm
        return _centred(_resized(ink, sheet.rows, across, 1.0, columns / across), columns, axis=1)


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


def _mirror(ink: NDArray[np.float32]) -> None:
    """Exchange left and right in place, row by row: a second copy would be as large as the image."""
    for row in ink:
        row[:] = row[::-1].copy()


def _resized(
    ink: NDArray[np.float32], rows: float, columns: float, rows_shown: float, columns_shown: float
) -> NDArray[np.float32]:
    """The middle of the ink at the size of its place.

    Only the shares of it that are shown are made: a long thin image would else be resized to something enormous."""
    down, along = min(1.0, rows_shown), min(1.0, columns_shown)
    height, width = ink.shape
    box = (width * (1 - along) / 2, height * (1 - down) / 2, width * (1 + along) / 2, height * (1 + down) / 2)
    size = (max(1, round(columns * along)), max(1, round(rows * down)))
    return np.asarray(Image.fromarray(np.ascontiguousarray(ink)).resize(size, Image.Resampling.LANCZOS, box))


def _centred(tone: NDArray[np.float32], size: int, axis: int) -> NDArray[np.float32]:
    """The tone filled up with blank paper on both sides to a size along one axis."""
    missing = size - tone.shape[axis]
    margins = [(0, 0), (0, 0)]
    margins[axis] = (missing // 2, missing - missing // 2)
    return np.pad(tone, margins)


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
