"""The Earth's orientation as the IERS measured and predicted it: the file finals2000A."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path

import numpy as np
import numpy.typing as npt

from scheduling.sky.arrays import FloatArray

MJD_OF_POSIX_EPOCH = 40_587.0

# Columns (from 0) of finals2000A, after its readme: fixed width, one line a day.
_MJD = slice(7, 15)
_UT1_FLAG = 57
_UT1_MINUS_UTC = slice(58, 68)


class OrientationError(RuntimeError):
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
    raw = np.frombuffer(path.read_bytes(), dtype=np.uint8)
    width = int(np.argmax(raw == ord("\n"))) + 1
    if width <= _UT1_MINUS_UTC.stop or len(raw) % width or (raw[width - 1 :: width] != ord("\n")).any():
        raise OrientationError(f"{path.name} is not a table of fixed-width lines as finals2000A is")
    lines = raw.reshape(-1, width)
    lines = lines[lines[:, _UT1_FLAG] != ord(" ")]
    if not len(lines):
        raise OrientationError(f"{path.name} gives UT1-UTC for no day")
    mjd = _numbers(lines[:, _MJD])
    if (np.diff(mjd) != 1.0).any():
        raise OrientationError(f"{path.name} does not give UT1-UTC for every day in turn")
    measured = lines[:, _UT1_FLAG] == ord("I")
    return Orientation(mjd, _numbers(lines[:, _UT1_MINUS_UTC]), float(mjd[measured][-1]))


def _numbers(columns: npt.NDArray[np.uint8]) -> FloatArray:
    """Decimal numbers in fixed columns with the point in the same place: far faster than a float() of each."""
    point = int(np.argmax(columns[0] == ord(".")))
    if (columns[:, point] != ord(".")).any():
        raise OrientationError("a column of numbers has its decimal points out of line")
    characters = np.delete(columns, point, axis=1)
    is_digit = (characters >= ord("0")) & (characters <= ord("9"))
    digits = np.where(is_digit, characters - ord("0"), 0).astype(np.int64)
    places = digits.shape[1]
    size = digits @ 10 ** np.arange(places - 1, -1, -1)
    sign = np.where((characters == ord("-")).any(axis=1), -1.0, 1.0)
    numbers: FloatArray = sign * size / 10.0 ** (places - point)
    return numbers
