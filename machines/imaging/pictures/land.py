"""A map of the world along the turn: the longitude under the apparent Sun stands under the head."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from typing import ClassVar, Literal

import numpy as np
from numpy.typing import NDArray

from machines.errors import InputError, require
from machines.imaging.pictures.canvas import Canvas, hatching
from machines.imaging.pictures.checks import require_between, require_limits, require_tones
from machines.imaging.pictures.geojson import Shapes, read_geojson, read_land
from machines.imaging.pictures.in_pieces import InPieces
from machines.imaging.pictures.one_at_a_time import ONE_AT_A_TIME
from machines.imaging.pictures.projections import MERCATOR_LIMIT_DEGREES, WITH_STANDARD_PARALLEL, Projection, parallels
from machines.imaging.pictures.rings import Positions, coast, densified, unwrap
from machines.imaging.pictures.sheet import Sheet
from machines.imaging.pictures.sky import SkyNumbers
from machines.imaging.pieces import Piece, bands


@dataclass(frozen=True, kw_only=True)
class LandPicture(InPieces):
    """A cylindrical map of polygons and lines.

    Column c begins at the longitude ``central_meridian_degrees + 180 - 360 * c / columns``: phase runs westward, as
    the Sun does. Only a central meridian of 0 keeps the map under the Sun.

    Attributes:
        data: the land that comes with the product, or the GeoJSON that was uploaded with the picture.
        projection: how parallels are spaced.
        standard_parallel_degrees: for equirectangular and equal-area, the parallel without distortion.
        south_degrees, north_degrees: nothing is drawn beyond these latitudes.
        fit: ``true``, the map's own proportions, centred between its limits, cut off where the paper ends and blank
            where it does not reach; ``stretch``, the limits stand at the edges of the paper.
        central_meridian_degrees: the longitude at phase one half.
        style: how land is shown; lines of the file are always drawn as lines.
        ink: tone of the land.
        line_mm: width of lines, coasts and hatching.
        hatching_mm: distance between hatching lines along the paper.
        graticule_degrees: distance between meridians and parallels of a net over the map; 0 for none.
        graticule_ink: tone of the net, seen where it is darker than the land.
    """

    data: Literal["land-50m", "land-110m", "upload"] = "land-50m"
    projection: Projection = "equirectangular"
    standard_parallel_degrees: float = 0.0
    south_degrees: float = -90.0
    north_degrees: float = 90.0
    fit: Literal["true", "stretch"] = "true"
    central_meridian_degrees: float = 0.0
    style: Literal["fill", "outline", "hatching"] = "fill"
    ink: float = 1.0
    line_mm: float = 0.3
    hatching_mm: float = 2.0
    graticule_degrees: float = 0.0
    graticule_ink: float = 0.5
    kind: Literal["map"] = "map"

    changes_with_turn: ClassVar[bool] = False

    def __post_init__(self) -> None:
        require_limits(self, "south_degrees", "north_degrees")
        require_between(self, -360.0, 360.0, "central_meridian_degrees")
        require_between(self, -80.0, 80.0, "standard_parallel_degrees")
        require_between(self, 0.01, 100.0, "line_mm", "hatching_mm")
        require_tones(self, "ink", "graticule_ink")
        require(
            self.graticule_degrees == 0.0 or (self.graticule_degrees >= 0.5 and 360 % self.graticule_degrees == 0),
            "graticule_degrees",
            f"a turn holds no whole number of {self.graticule_degrees:g}",
            "give 0, or a divisor of 360 from 0.5 on, such as 15",
        )
        require(
            self.standard_parallel_degrees == 0.0 or self.projection in WITH_STANDARD_PARALLEL,
            "standard_parallel_degrees",
            f"{self.projection} has a standard parallel of its own",
            "leave it at 0, or choose " + " or ".join(WITH_STANDARD_PARALLEL),
        )
        if self.fit == "stretch" and self.projection == "mercator":
            require_between(self, -MERCATOR_LIMIT_DEGREES, MERCATOR_LIMIT_DEGREES, "south_degrees", "north_degrees")

    def check_upload(self, upload: bytes | None) -> None:
        """Raise an InputError unless the picture can be drawn from what was uploaded with it."""
        self.shapes(upload)

    def shapes(self, upload: bytes | None) -> Shapes:
        """What the map shows."""
        if self.data != "upload":
            return read_land(self.data)
        if upload is None:
            raise InputError("upload", "missing", "upload GeoJSON, or choose the land that comes with the product")
        try:
            with ONE_AT_A_TIME:
                return read_geojson(upload)
        except InputError as error:
            error.within("upload")
            raise

    def rows(self, latitudes: NDArray[np.float64], sheet: Sheet) -> NDArray[np.float64]:
        """Where latitudes in degrees stand on a sheet, in rows from its upper edge."""
        north = self._parallels(np.array([self.south_degrees, self.north_degrees]))
        radian_rows = sheet.width_mm / (2 * np.pi) / sheet.row_mm
        if self.fit == "stretch":
            radian_rows = sheet.rows / (north[1] - north[0])
        return np.asarray(sheet.rows / 2 - (self._parallels(latitudes) - north.mean()) * radian_rows)

    def columns(self, longitudes: NDArray[np.float64], sheet: Sheet) -> NDArray[np.float64]:
        """Where longitudes in degrees stand on a sheet, in columns from phase 0; not reduced to one turn."""
        return np.asarray((self.central_meridian_degrees + 180.0 - longitudes) / 360.0 * sheet.columns)

    def longitudes(self, columns: NDArray[np.float64], sheet: Sheet) -> NDArray[np.float64]:
        """The longitudes of places along a sheet, in columns from phase 0; degrees, not reduced to one turn."""
        return np.asarray(self.central_meridian_degrees + 180.0 - columns / sheet.columns * 360.0)

    def latitudes(self, rows: NDArray[np.float64], sheet: Sheet) -> NDArray[np.float64]:
        """The latitudes of places across a sheet, in rows from its upper edge; beyond the poles 90.1 degrees."""
        latitudes = np.linspace(90.0, -90.0, 180_001)
        return np.interp(rows, self.rows(latitudes, sheet), latitudes, left=90.1, right=-90.1)

    def pieces(self, sky: SkyNumbers, sheet: Sheet, upload: bytes | None = None) -> Iterator[Piece]:
        """The tone of one turn; the sky is not asked.

        Raises:
            InputError: the upload is missing, or cannot be drawn.
        """
        shapes = self.shapes(upload)
        areas = Canvas(sheet) if self.style == "outline" else self._areas(shapes, sheet)
        strokes = self._strokes(self._lines(shapes), sheet)
        net = self._strokes(self._graticule() if self.graticule_degrees else [], sheet, of_file=False)
        for top, end in bands(sheet.rows, sheet.columns):
            tone = areas.coverage(top, end)
            if self.style == "hatching":
                tone *= hatching(sheet, self.hatching_mm, self.line_mm, top, end)
            if strokes:
                np.maximum(tone, strokes.coverage(top, end), out=tone)
            if self.ink < 1.0:
                tone *= np.float32(self.ink)
            if net:
                np.maximum(tone, net.coverage(top, end) * np.float32(self.graticule_ink), out=tone)
            yield Piece(top, self._within_limits(tone, sheet, top))

    def _lines(self, shapes: Shapes) -> list[Positions]:
        """What is stroked."""
        lines = [unwrap(line) for line in shapes.lines]
        if self.style != "fill":
            lines += [line for rings in shapes.polygons for ring in rings for line in coast(ring)]
        return lines

    def _areas(self, shapes: Shapes, sheet: Sheet) -> Canvas:
        canvas = Canvas(sheet)
        polygons = shapes.closed_polygons
        points = iter(self._points([ring for rings in polygons for ring in rings], sheet))
        for rings in polygons:
            canvas.fill([next(points) for _ in rings])
        return canvas

    def _strokes(self, lines: list[Positions], sheet: Sheet, *, of_file: bool = True) -> Canvas:
        canvas = Canvas(sheet)
        for line in self._points([densified(line) for line in lines], sheet):
            canvas.line(line, self.line_mm, of_file=of_file)
        return canvas

    def _graticule(self) -> list[Positions]:
        longitudes = np.arange(-180.0, 180.0, self.graticule_degrees)
        latitudes = np.arange(-90.0, 90.0 + self.graticule_degrees, self.graticule_degrees)
        south, north = self.south_degrees, self.north_degrees
        meridians = [np.array([[longitude, south], [longitude, north]]) for longitude in longitudes]
        return meridians + [
            np.array([[-180.0, latitude], [180.0, latitude]]) for latitude in latitudes if south <= latitude <= north
        ]

    def _within_limits(self, tone: NDArray[np.float32], sheet: Sheet, top: int) -> NDArray[np.float32]:
        """The tone of the rows from the top one on, blank beyond the limits."""
        north, south = self.rows(np.array([self.north_degrees, self.south_degrees]), sheet)
        tone[: max(0, round(north) - top)] = 0.0
        tone[max(0, round(south) - top) :] = 0.0
        return tone

    def _parallels(self, latitudes: NDArray[np.float64]) -> NDArray[np.float64]:
        return parallels(self.projection, latitudes, self.standard_parallel_degrees)

    def _points(self, lines: list[Positions], sheet: Sheet) -> list[NDArray[np.float64]]:
        """Columns and rows of every line; projected all at once, as a call has its price."""
        if not lines:
            return []
        positions = np.concatenate(lines)
        points = np.column_stack([self.columns(positions[:, 0], sheet), self.rows(positions[:, 1], sheet)])
        return np.split(points, np.cumsum([len(line) for line in lines])[:-1])
