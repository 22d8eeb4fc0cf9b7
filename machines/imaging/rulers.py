"""Rulers for the edge of a proof: millimetres, civil time, longitude and right ascension, by running column."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta
from typing import Literal
from zoneinfo import ZoneInfo

import numpy as np
from numpy.typing import NDArray

from machines.model.profile import Profile

_TIME_STEPS_S = (60, 120, 300, 600, 900, 1800, 3600, 7200, 10800, 21600, 43200, 86400, 7 * 86400, 28 * 86400)
# Every offset from UTC in use is a whole number of quarter hours.
_QUARTER_HOUR_S = 900


@dataclass(frozen=True)
class Mark:
    """A stroke on a ruler, at a running column (a column's edge is a whole number), with what is written beside it."""

    column: float
    text: str


@dataclass(frozen=True)
class Ruler:
    """The marks along one edge, and what they are."""

    title: str
    marks: tuple[Mark, ...]


def _step(least: float, choices: tuple[float, ...]) -> float:
    """The smallest choice that is not below ``least``; the largest one if all are."""
    return next((choice for choice in choices if choice >= least), choices[-1])


def mm_ruler(profile: Profile, first: int, end: int, most_marks: int = 16) -> Ruler:
    """Millimetres of paper from the edge of the first column."""
    length_mm = (end - first) * profile.column_pitch_mm
    step = _step(length_mm / most_marks, (1, 2, 5, 10, 20, 50, 100, 200, 500, 1000, 2000, 5000, 10_000, 100_000))
    places = np.arange(0.0, length_mm * (1 + 1e-12), step)
    return Ruler("mm", tuple(Mark(first + mm / profile.column_pitch_mm, f"{mm:g}") for mm in places))


def longitude_ruler(
    profile: Profile, first: int, end: int, most_marks: int = 16, central_meridian_degrees: float = 0.0
) -> Ruler:
    """The longitude of a map, ``central_meridian_degrees + 180 - 360 * phase``.

    With its centre at 0 it is the longitude of a map that follows the Sun."""
    choices = (5, 10, 15, 30, 45, 90)
    start = central_meridian_degrees + 180.0
    return Ruler("longitude", _phase_marks(profile, first, end, most_marks, choices, _longitude, start, -1))


def right_ascension_ruler(profile: Profile, first: int, end: int, most_marks: int = 16) -> Ruler:
    """The right ascension of a star belt, 360 * phase, in hours."""

    def hours(degrees: float) -> str:
        return f"{degrees % 360.0 / 15:g}h"

    return Ruler("right ascension", _phase_marks(profile, first, end, most_marks, (7.5, 15, 30, 45, 90), hours))


def _longitude(degrees: float) -> str:
    longitude = 180.0 - (180.0 - degrees) % 360.0  # above -180, up to 180
    side = "" if longitude in (0, 180) else " E" if longitude > 0 else " W"
    return f"{abs(longitude):g}°{side}"


def _phase_marks(
    profile: Profile,
    first: int,
    end: int,
    most_marks: int,
    choices: tuple[float, ...],
    text: Callable[[float], str],
    start_degrees: float = 0.0,
    way: Literal[1, -1] = 1,
) -> tuple[Mark, ...]:
    """Marks at round degrees, which count from ``start_degrees`` at phase 0 up or down, 360 in a turn."""
    columns_per_degree = profile.columns_per_turn / 360.0
    step = _step((end - first) / columns_per_degree / most_marks, choices)
    # Counted along the paper, the marks stand at offset, offset + step and so on.
    offset = -way * start_degrees % step
    lowest = int(np.ceil((first / columns_per_degree - offset) / step))
    highest = int(np.floor((end / columns_per_degree - offset) / step))
    places = [mark * step + offset for mark in range(lowest, highest + 1)]
    # Rounded, as the degrees of a mark are, and their sum with an odd offset is not to the last bit.
    return tuple(Mark(at * columns_per_degree, text(round((start_degrees + way * at) / step) * step)) for at in places)


def time_ruler(instants: NDArray[np.float64], first: int, zone: ZoneInfo | None = None, most_marks: int = 12) -> Ruler:
    """Civil time, at round times of the zone.

    Args:
        instants: POSIX seconds of the edges of the columns from ``first`` on, one more than there are columns;
            increasing.
        first: the first running column.
        zone: whose civil time; None for UTC.
    """
    step = int(_step((instants[-1] - instants[0]) / most_marks, _TIME_STEPS_S))
    stride = min(step, _QUARTER_HOUR_S)
    marks = []
    for seconds in range(int(-(-instants[0] // stride)) * stride, int(instants[-1]) + 1, stride):
        local = datetime.fromtimestamp(seconds, zone or UTC)
        offset = local.utcoffset() or timedelta(0)
        if (seconds + int(offset.total_seconds())) % step == 0:
            column = first + float(np.interp(seconds, instants, np.arange(len(instants))))
            marks.append(Mark(column, f"{local:%d %b}" if f"{local:%H%M}" == "0000" else f"{local:%H:%M}"))
    return Ruler(str(zone or "UTC"), tuple(marks))
