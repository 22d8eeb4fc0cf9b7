"""Day, night and the twilights between them, as tones: the year of one place, and the whole Earth at one instant."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, field
from typing import ClassVar, Literal

import numpy as np
from numpy.typing import NDArray

from machines.errors import InputError, require
from machines.imaging.pictures.checks import require_between, require_tones
from machines.imaging.pictures.in_pieces import InPieces
from machines.imaging.pictures.land import LandPicture
from machines.imaging.pictures.sheet import Sheet
from machines.imaging.pictures.sky import SkyNumbers
from machines.imaging.pieces import PIECE_ROWS, Piece, bands

# Altitudes of the Sun's middle, in degrees, at which daylight and the civil, nautical and astronomical twilights end.
# The first is for the upper limb on the horizon with 34 minutes of arc of refraction; a place is taken to be at sea
# level.
TWILIGHT_ENDS_DEGREES = (-50 / 60, -6.0, -12.0, -18.0)


@dataclass(frozen=True, kw_only=True)
class Twilights:
    """Tones of the five kinds of light."""

    day_ink: float = 0.0
    civil_ink: float = 0.25
    nautical_ink: float = 0.5
    astronomical_ink: float = 0.75
    night_ink: float = 1.0

    def __post_init__(self) -> None:
        require_tones(self, "day_ink", "civil_ink", "nautical_ink", "astronomical_ink", "night_ink")

    def tones(self, altitudes_degrees: NDArray[np.float64]) -> NDArray[np.float32]:
        """The tone for each altitude of the Sun."""
        inks = (self.night_ink, self.astronomical_ink, self.nautical_ink, self.civil_ink, self.day_ink)
        kinds = np.digitize(altitudes_degrees, TWILIGHT_ENDS_DEGREES[::-1])
        return np.array(inks, dtype=np.float32)[kinds]


def altitudes_degrees(
    latitudes: NDArray[np.float64], declinations: NDArray[np.float64], hour_angles: NDArray[np.float64]
) -> NDArray[np.float64]:
    """Altitudes of the Sun's middle without refraction: sin h = sin φ sin δ + cos φ cos δ cos H. All in degrees; they
    broadcast."""
    phi, delta, angle = np.radians(latitudes), np.radians(declinations), np.radians(hour_angles)
    sine = np.sin(phi) * np.sin(delta) + np.cos(phi) * np.cos(delta) * np.cos(angle)
    return np.asarray(np.degrees(np.arcsin(np.clip(sine, -1.0, 1.0))))


@dataclass(frozen=True, kw_only=True)
class YearOfDaylight(InPieces):
    """A place's year along the paper and its day across it: one turn a tropical year, from one March equinox to the
    next.

    Rows run through one day of local mean solar time, from midnight at the upper edge to midnight at the lower, so that
    noon is in the middle and the equation of time bends sunrise and sunset. Where a column falls within its day does
    not show.

    Attributes:
        latitude_degrees: of the place; its longitude makes no difference.
        twilights: their tones.
    """

    latitude_degrees: float = 0.0
    twilights: Twilights = field(default_factory=Twilights)
    kind: Literal["year-of-daylight"] = "year-of-daylight"

    changes_with_turn: ClassVar[bool] = True

    def __post_init__(self) -> None:
        require_between(self, -90.0, 90.0, "latitude_degrees")

    def check_upload(self, upload: bytes | None) -> None:
        """A year of daylight needs none."""

    def pieces(self, sky: SkyNumbers, sheet: Sheet, upload: bytes | None = None) -> Iterator[Piece]:
        """The tone of one turn.

        Raises:
            InputError: the sky has no year of the Sun.
        """
        declinations = _along_turn(sky, "sun_declination_degrees", sheet.columns)
        equations = _along_turn(sky, "equation_of_time_minutes", sheet.columns)
        for top, end in bands(sheet.rows, sheet.columns):
            tone = np.empty((end - top, sheet.columns), dtype=np.float32)
            for rows in _few_rows(top, end):
                mean_angles = (rows[:, None] + 0.5) / sheet.rows * 360.0 - 180.0
                hour_angles = mean_angles + equations / 4.0
                altitudes = altitudes_degrees(np.array(self.latitude_degrees), declinations, hour_angles)
                tone[rows - top] = self.twilights.tones(altitudes)
            yield Piece(top, tone)


def _few_rows(top: int, end: int) -> Iterator[NDArray[np.int64]]:
    """Rows, so many at a time that the arrays of angles stay small."""
    for start in range(top, end, PIECE_ROWS):
        yield np.arange(start, min(start + PIECE_ROWS, end))


def _along_turn(sky: SkyNumbers, name: str, columns: int) -> NDArray[np.float64]:
    """A number sampled at equal steps of phase, the first at phase 0, read off at the middle of every column."""
    samples = np.asarray(sky.need(name), dtype=np.float64)
    enough = samples.ndim == 1 and len(samples) >= 24
    require(enough, f"sky.{name}", f"samples of shape {samples.shape}", "give at least 24 a turn")
    phases = (np.arange(columns) + 0.5) / columns
    return np.interp(phases, np.arange(len(samples)) / len(samples), samples, period=1.0)


@dataclass(frozen=True, kw_only=True)
class DaylightMap(InPieces):
    """A map with day and night over it as they are at the turn's instant.

    Attributes:
        map: what lies under the light; where both are inked, the paper is covered as by two screens laid over each
            other.
        twilights: their tones.
    """

    map: LandPicture = field(default_factory=lambda: LandPicture(ink=0.5))
    twilights: Twilights = field(
        default_factory=lambda: Twilights(civil_ink=0.1, nautical_ink=0.2, astronomical_ink=0.3, night_ink=0.4)
    )
    kind: Literal["daylight-map"] = "daylight-map"

    changes_with_turn: ClassVar[bool] = True

    def check_upload(self, upload: bytes | None) -> None:
        """Raise an InputError unless the map can be drawn from what was uploaded with it."""
        try:
            self.map.check_upload(upload)
        except InputError as error:
            error.within("map")
            raise

    def pieces(self, sky: SkyNumbers, sheet: Sheet, upload: bytes | None = None) -> Iterator[Piece]:
        """The tone of one turn.

        Raises:
            InputError: the sky does not say over which place the Sun stands.
        """
        sun_longitude = sky.need("subsolar_longitude_degrees")
        sun_latitude = np.array(sky.need("subsolar_latitude_degrees"))
        longitudes = self.map.longitudes(np.arange(0.5, sheet.columns), sheet)
        latitudes = self.map.latitudes(np.arange(0.5, sheet.rows), sheet)
        shown = (latitudes >= self.map.south_degrees) & (latitudes <= self.map.north_degrees)
        for piece in self.map.pieces(sky, sheet, upload):
            for some in _few_rows(piece.top, piece.rows.stop):
                rows = some[shown[some]]
                altitudes = altitudes_degrees(latitudes[rows, None], sun_latitude, longitudes - sun_longitude)
                under = piece.tone[rows - piece.top]
                piece.tone[rows - piece.top] = 1.0 - (1.0 - under) * (1.0 - self.twilights.tones(altitudes))
            yield piece
