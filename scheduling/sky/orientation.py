"""The Earth's orientation as the IERS measured and predicted it: the file finals2000A."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path

import numpy as np
import numpy.typing as npt

from machines.errors import DayrollError
from scheduling.sky.arrays import FloatArray

MJD_OF_POSIX_EPOCH = 40_587.0

# Columns (from 0) of finals2000A, after its readme: fixed width, one line a day.
_MJD = slice(7, 15)
_UT1_FLAG = 57
_UT1_MINUS_UTC = slice(58, 68)


class OrientationError(DayrollError, RuntimeError):
    """The table of the Earth's orientation is not what it should be."""


@dataclass(frozen=True)
class Orientation:
    """UT1 - UTC in seconds at midnight UTC of each day ``mjd``; measured through ``measured_until_mjd``."""

    mjd: FloatArray
    ut1_minus_utc: FloatArray
    measured_until_mjd: float


def read_finals(path: Path) -> Orientation:
    """Read a finals2000A.all file (IERS Rapid Service) from its fixed columns, as far as it gives UT1.

    Raises :class:`OrientationError` when the file does not have that shape.
    """
    content = path.read_bytes()
    width = content.find(b"\n") + 1
    if width <= _UT1_MINUS_UTC.stop or len(content) % width:
        raise OrientationError(f"{path.name} is not a table of fixed-width lines as finals2000A is")
    lines = np.frombuffer(content, dtype=np.uint8).reshape(-1, width)
    flags = lines[:, _UT1_FLAG]
    days = int(np.count_nonzero(flags != ord(" ")))
    measured = int(np.count_nonzero(flags == ord("I")))
    if not measured or (flags[:measured] != ord("I")).any() or (flags[measured:days] != ord("P")).any():
        raise OrientationError(f"{path.name} does not give UT1-UTC measured up to a day and predicted from then on")
    first, last = _numbers(lines[[0, days - 1], _MJD])
    if last - first != days - 1:
        raise OrientationError(f"{path.name} does not give UT1-UTC for every day in turn")
    return Orientation(
        mjd=first + np.arange(days),
        ut1_minus_utc=_numbers(lines[:days, _UT1_MINUS_UTC]),
        measured_until_mjd=float(first + measured - 1),
    )


def _numbers(columns: npt.NDArray[np.uint8]) -> FloatArray:
    """Decimal numbers in fixed columns with the point in the same place: far faster than a float() of each."""
    point = int(np.argmax(columns[0] == ord(".")))
    if (columns[:, point] != ord(".")).any():
        raise OrientationError("a column of numbers has its decimal points out of line")
    characters = np.delete(columns, point, axis=1)
    is_digit = (characters >= ord("0")) & (characters <= ord("9"))
    digits = np.where(is_digit, characters - ord("0"), 0).astype(np.float64)
    places = digits.shape[1]
    size = digits @ 10.0 ** np.arange(places - 1, -1, -1)  # whole, so exact
    sign = np.where((characters == ord("-")).any(axis=1), -1.0, 1.0)
    numbers: FloatArray = sign * size / 10.0 ** (places - point)
    return numbers
