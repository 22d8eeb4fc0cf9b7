"""The stars along the turn of the sidereal day: the right ascension on the meridian of Greenwich stands under the
head."""

from __future__ import annotations

import csv
from collections.abc import Iterator
from dataclasses import dataclass
from functools import cache
from importlib import resources
from typing import Literal

import numpy as np
from numpy.typing import NDArray

from machines.imaging.pictures.canvas import Canvas
from machines.imaging.pictures.checks import require_between, require_limits, require_tones
from machines.imaging.pictures.discs import Disc, stamp
from machines.imaging.pictures.in_pieces import InPieces
from machines.imaging.pictures.rings import unwrap
from machines.imaging.pictures.sheet import Sheet
from machines.imaging.pictures.sky import SkyNumbers
from machines.imaging.pieces import Piece, bands


@dataclass(frozen=True, eq=False)
class StarCatalogue:
    """Stars as the catalogue has them, one array element a star.

    Attributes:
        hip: number in the Hipparcos catalogue.
        ra_degrees_j2000, dec_degrees_j2000: places of J2000, without proper motion.
        magnitude: V.
    """

    hip: NDArray[np.int64]
    ra_degrees_j2000: NDArray[np.float64]
    dec_degrees_j2000: NDArray[np.float64]
    magnitude: NDArray[np.float64]


@cache
def read_stars() -> StarCatalogue:
    """The stars that come with the product, to magnitude 6."""
    text = (resources.files("machines") / "data" / "stars-mag6.csv").read_text("ascii")
    rows = list(csv.DictReader(text.splitlines()))

    def numbers(name: str) -> NDArray[np.float64]:
        return np.array([float(row[name]) for row in rows])

    return StarCatalogue(
        hip=numbers("hip").astype(np.int64),
        ra_degrees_j2000=numbers("ra_deg_j2000"),
        dec_degrees_j2000=numbers("dec_deg_j2000"),
        magnitude=numbers("magnitude_v"),
    )


@dataclass(frozen=True, kw_only=True)
class StarBelt(InPieces):
    """Stars as discs, by right ascension along the turn and declination across it.

    Column c begins at the right ascension ``360 * c / columns`` degrees. Precession moves a belt by 50 arc seconds a
    year, 0.02 mm on a turn of 600 mm: one plate of the date of the opening serves a run.

    Attributes:
        south_degrees, north_degrees: declinations at the lower and upper edge of the paper.
        faintest_magnitude: fainter stars are left out.
        magnitude_0_mm: diameter of a star of magnitude 0.
        ratio_per_magnitude: diameter of a star over that of one a magnitude brighter. By default area goes with
            brightness.
        smallest_mm: no star is smaller.
        ink: tone of the stars.
        ecliptic: whether the Sun's yearly path is drawn.
        moon_path: whether the Moon's path of the turn is drawn; a belt with it has a plate a turn.
        line_mm, line_ink: width and tone of these lines.
    """

    south_degrees: float = -60.0
    north_degrees: float = 60.0
    faintest_magnitude: float = 6.0
    magnitude_0_mm: float = 2.0
    ratio_per_magnitude: float = 0.631
    smallest_mm: float = 0.15
    ink: float = 1.0
    ecliptic: bool = False
    moon_path: bool = False
    line_mm: float = 0.2
    line_ink: float = 0.5
    kind: Literal["stars"] = "stars"

    def __post_init__(self) -> None:
        require_limits(self, "south_degrees", "north_degrees")
        require_between(self, -2.0, 30.0, "faintest_magnitude")
        require_between(self, 0.01, 100.0, "magnitude_0_mm", "smallest_mm", "line_mm")
        require_between(self, 0.1, 1.0, "ratio_per_magnitude")
        require_tones(self, "ink", "line_ink")

    @property
    def changes_with_turn(self) -> bool:
        """Whether every turn needs a plate of its own."""
        return self.moon_path

    def check_upload(self, upload: bytes | None) -> None:
        """A star belt needs none."""

    def diameters_mm(self, magnitudes: NDArray[np.float64]) -> NDArray[np.float64]:
        """How large stars are printed."""
        return np.maximum(self.magnitude_0_mm * self.ratio_per_magnitude**magnitudes, self.smallest_mm)

    def pieces(self, sky: SkyNumbers, sheet: Sheet, upload: bytes | None = None) -> Iterator[Piece]:
        """The tone of one turn.

        Raises:
            InputError: the sky has no stars, or not the numbers of a line.
        """
        magnitudes = sky.need("star_magnitude")
        shown = magnitudes <= self.faintest_magnitude
        along_mm = sky.need("star_ra_degrees")[shown] / 360.0 * sheet.width_mm
        down_mm = self._down_mm(sky.need("star_dec_degrees")[shown], sheet)
        radii_mm = self.diameters_mm(magnitudes[shown]) / 2.0
        lines = self._lines(sky, sheet)
        for top, end in bands(sheet.rows, sheet.columns):
            piece = Piece(top, lines.coverage(top, end) * np.float32(self.line_ink))
            begins = down_mm - radii_mm <= (end + 1) * sheet.row_mm
            for star in np.flatnonzero(begins & (down_mm + radii_mm >= (top - 1) * sheet.row_mm)):
                disc = Disc(float(along_mm[star]), float(down_mm[star]), float(radii_mm[star]))
                stamp(piece, sheet, disc, np.float32(self.ink))
            yield piece

    def _down_mm(self, declinations: NDArray[np.float64], sheet: Sheet) -> NDArray[np.float64]:
        span = self.north_degrees - self.south_degrees
        return (self.north_degrees - declinations) / span * sheet.height_mm

    def _lines(self, sky: SkyNumbers, sheet: Sheet) -> Canvas:
        """The ecliptic and the Moon's path, where they are wished for."""
        canvas = Canvas(sheet)
        if self.ecliptic:
            canvas.line(self._points(ecliptic(sky.need("obliquity_degrees")), sheet), self.line_mm)
        if self.moon_path:
            path = np.column_stack([sky.need("moon_ra_degrees"), sky.need("moon_dec_degrees")])
            canvas.line(self._points(unwrap(path), sheet), self.line_mm)
        return canvas

    def _points(self, path: NDArray[np.float64], sheet: Sheet) -> NDArray[np.float64]:
        """Columns and rows of right ascensions and declinations in degrees."""
        columns = path[:, 0] / 360.0 * sheet.columns
        return np.column_stack([columns, self._down_mm(path[:, 1], sheet) / sheet.row_mm])


def ecliptic(obliquity_degrees: float) -> NDArray[np.float64]:
    """The ecliptic once round, right ascension and declination in degrees: tan δ = tan ε sin α."""
    ra_degrees = np.linspace(0.0, 360.0, 721)
    slope = np.tan(np.radians(obliquity_degrees)) * np.sin(np.radians(ra_degrees))
    return np.column_stack([ra_degrees, np.degrees(np.arctan(slope))])
