"""The arrays that the sky works on."""

from __future__ import annotations

import numpy as np
import numpy.typing as npt

FloatArray = npt.NDArray[np.float64]
BoolArray = npt.NDArray[np.bool_]
IntArray = npt.NDArray[np.int64]


def finite_array(name: str, values: npt.ArrayLike) -> FloatArray:
    """Take ``values`` as float64 of any shape; raise ValueError, naming the first, where one is not finite."""
    array = np.asarray(values, dtype=np.float64)
    finite = np.isfinite(array)
    if not finite.all():
        first = np.unravel_index(int(np.argmin(finite)), array.shape)
        raise ValueError(f"{name}[{', '.join(map(str, first))}] is {array[first]}; it must be a finite number")
    return array
