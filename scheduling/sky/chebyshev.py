"""A smooth function of time, sampled once and interpolated from then on.

An ephemeris call is expensive and smooth. The span is cut into blocks of equal length; in each block the
function is asked once, at the Chebyshev nodes, and the interpolating polynomial is kept. See L. N. Trefethen,
"Approximation Theory and Approximation Practice" (SIAM 2013), chapters 3, 4 and 19 for nodes, aliasing and
Clenshaw's sum.
"""

from __future__ import annotations

import threading
from collections.abc import Callable, Sequence

import numpy as np

from scheduling.sky.arrays import FloatArray, IntArray

# Instants asked of the sampled function in one call: bounds the temporary memory of skyfield's nutation.
_INSTANTS_PER_CALL = 2048


class SampledFunction:
    """A vector-valued smooth function on ``[first, last]``, kept as a Chebyshev series in each block.

    ``sample`` takes instants (n,) and returns values (components, n). Blocks are sampled when first needed, all
    the missing ones of a call together. Memory is bounded by ``capacity_bytes``, the series of the whole span:
    address space is taken at once, real memory only for the blocks in use (``used_bytes``). Threads may share
    an instance.
    """

    def __init__(
        self,
        sample: Callable[[FloatArray], FloatArray],
        *,
        components: int,
        first: float,
        last: float,
        longest_block: float,
        nodes: int,
    ) -> None:
        self._sample = sample
        blocks = int(np.ceil((last - first) / longest_block))
        self._first = first
        self._block = (last - first) / blocks
        self._series = np.zeros((blocks, components, nodes))  # zero pages: none is real before it is written
        self._built = np.zeros(blocks, dtype=np.bool_)
        self._lock = threading.Lock()
        self._nodes, self._to_series = _nodes_and_transform(nodes)

    @property
    def capacity_bytes(self) -> int:
        """The most that the samples can take, when every block of the span is built."""
        return int(self._series.nbytes + self._built.nbytes)

    @property
    def used_bytes(self) -> int:
        """What the blocks built so far take."""
        return int(self._built.sum()) * int(self._series[0].nbytes) + int(self._built.nbytes)

    def values(self, instants: FloatArray, components: Sequence[int]) -> FloatArray:
        """The components at ``instants`` (any shape): an array (len(components), *instants.shape)."""
        series, x = self._located(instants, components)
        b1 = b2 = np.zeros(1)
        for coefficient in series[:0:-1]:
            b1, b2 = coefficient + 2.0 * x * b1 - b2, b1
        values: FloatArray = series[0] + x * b1 - b2
        return values.reshape(len(components), *np.shape(instants))

    def value(self, instants: FloatArray, component: int) -> FloatArray:
        """One component at ``instants``, of the same shape."""
        (value,) = self.values(instants, [component])
        return np.asarray(value)

    def values_and_rates(self, instants: FloatArray, components: Sequence[int]) -> tuple[FloatArray, FloatArray]:
        """The components and their derivatives by time, each as :meth:`values` gives them."""
        series, x = self._located(instants, components)
        b1 = b2 = d1 = d2 = np.zeros(1)
        for coefficient in series[:0:-1]:
            d1, d2 = 2.0 * (b1 + x * d1) - d2, d1
            b1, b2 = coefficient + 2.0 * x * b1 - b2, b1
        shape = (len(components), *np.shape(instants))
        values = series[0] + x * b1 - b2
        rates = (b1 + x * d1 - d2) * (2.0 / self._block)
        return values.reshape(shape), rates.reshape(shape)

    def _located(self, instants: FloatArray, components: Sequence[int]) -> tuple[FloatArray, FloatArray]:
        """The series (nodes, components, n) of each instant's block, and where in the block it lies, -1 to 1."""
        position = (np.ravel(instants) - self._first) / self._block
        index = np.clip(position.astype(np.int64), 0, len(self._built) - 1)
        self._build(index)
        low = int(index.min(initial=0))
        needed = self._series[low : int(index.max(initial=0)) + 1, list(components)]
        series = np.ascontiguousarray(needed.transpose(2, 1, 0)).take(index - low, axis=2)
        return series, 2.0 * (position - index) - 1.0

    def _build(self, index: IntArray) -> None:
        if self._built[index].all():
            return
        with self._lock:
            wanted = np.zeros(len(self._built), dtype=np.bool_)
            wanted[index] = True
            missing = np.flatnonzero(wanted & ~self._built)
            step = max(1, _INSTANTS_PER_CALL // len(self._nodes))
            for start in range(0, len(missing), step):
                self._sample_blocks(missing[start : start + step])

    def _sample_blocks(self, blocks: IntArray) -> None:
        instants = self._first + self._block * (blocks[:, None] + 0.5 * (self._nodes + 1.0))
        values = self._sample(instants.ravel())
        values = values.reshape(len(values), len(blocks), len(self._nodes))
        self._series[blocks] = (values @ self._to_series).transpose(1, 0, 2)
        self._built[blocks] = True  # last: a reader without the lock sees either nothing or the whole block


def _nodes_and_transform(count: int) -> tuple[FloatArray, FloatArray]:
    """The roots of the Chebyshev polynomial T_count, and the matrix from values there to coefficients."""
    angles = np.pi * (np.arange(count) + 0.5) / count
    transform = 2.0 / count * np.cos(np.outer(angles, np.arange(count)))
    transform[:, 0] /= 2.0
    return np.cos(angles), transform
