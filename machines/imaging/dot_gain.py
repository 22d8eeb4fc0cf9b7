"""Dot gain: dots print larger than they are, so that a tone comes out darker than asked; and the curve that undoes it.

Print the tone wedge of the test patterns without a curve, measure its steps, and make the curve from them.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from itertools import pairwise

import numpy as np
from numpy.typing import NDArray

from machines.errors import InputError


@dataclass(frozen=True, kw_only=True)
class ToneCurve:
    """A printed wedge: what was asked and what came out, as ink coverages in linear light.

    Attributes:
        asked: coverages of the wedge's steps, rising from 0 to 1.
        printed: the coverages measured on paper, rising from 0 (the bare paper) to 1 (the solid).
    """

    asked: tuple[float, ...]
    printed: tuple[float, ...]

    def __post_init__(self) -> None:
        if len(self.asked) != len(self.printed) or len(self.asked) < 2:
            problem = f"{len(self.printed)} steps measured of {len(self.asked)}"
            raise InputError("printed", problem, "give one measurement for each step, bare paper and solid included")
        _require_rising("asked", self.asked)
        _require_rising("printed", self.printed)

    def corrected(self, tone: NDArray[np.float32]) -> NDArray[np.float32]:
        """The tone to ask for, so that the given tone is what comes out; linear between the steps."""
        return np.interp(tone, self.printed, self.asked).astype(np.float32)

    def gain(self, asked: float) -> float:
        """By how much more a tone comes out than was asked."""
        return float(np.interp(asked, self.asked, self.printed)) - asked


def _require_rising(field: str, steps: tuple[float, ...]) -> None:
    if steps[0] != 0.0 or steps[-1] != 1.0:
        problem = f"runs from {steps[0]:g} to {steps[-1]:g}"
        raise InputError(field, problem, "give 0 for bare paper first and 1 for solid last")
    for index, (lighter, darker) in enumerate(pairwise(steps)):
        if not lighter < darker:
            problem = f"{darker:g} follows {lighter:g}"
            raise InputError(f"{field}[{index + 1}]", problem, "each step is darker than the one before: measure again")


def coverage_from_density(tint: float, solid: float, paper: float = 0.0) -> float:
    """The coverage that reflects as much light as a tint does, after Murray and Davies (1936, from memory).

    Args:
        tint, solid, paper: optical densities as a densitometer reads them; with ``paper`` at 0 for one set to zero on
            the paper.

    Raises:
        InputError: the solid is no darker than the paper, or a density is no number.
    """
    if not all(map(math.isfinite, (tint, solid, paper))):
        raise InputError("tint", f"densities {tint}, {solid}, {paper}", "give finite densities")
    if solid <= paper:
        raise InputError("solid", f"density {solid:g} on paper of {paper:g}", "measure the solid step again")
    return (1.0 - math.pow(10.0, paper - tint)) / (1.0 - math.pow(10.0, paper - solid))
