"""Where the paper of a simulated machine truly is, whatever its motor was ordered: plain functions over one state.

    ordered       0    1    2    3    4       columns of paper, by the motor
    truly         0   .99  1.98  ...          the same columns where they lie on the paper

Paper never goes back: what is to be less is fed less from then on.
"""

from __future__ import annotations

import json
from dataclasses import asdict, dataclass, replace
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from machines.serialization import structure

FILE_NAME = "body.json"


@dataclass(frozen=True, kw_only=True)
class Body:
    """The feed of a machine. Places are columns of paper since the first.

    Attributes:
        standing: the place under the head's first nozzle, by the motor.
        true_place: the same, by the paper.
        owed: columns that the motor feeds before the paper moves again.
        as_of: up to which instant the jumps of the paper have happened, POSIX seconds.
        waste_drops: fired into the waste so far, by all nozzles.
    """

    standing: int = 0
    true_place: float = 0.0
    owed: float = 0.0
    as_of: float = 0.0
    waste_drops: int = 0

    @property
    def plain(self) -> bool:
        """Whether the paper is where it was ordered, and nothing else happened that the paper does not tell."""
        return self.true_place == self.standing and self.owed == 0.0 and self.waste_drops == 0


def fed_to(body: Body, places: NDArray[np.int64], gain: float) -> tuple[Body, NDArray[np.float64]]:
    """Feed to places one after another, increasing; ``gain`` columns of paper come for each that is ordered.

    Returns:
        the body at the last, and where each truly lies, in columns.
    """
    moved = (places - body.standing) * gain
    true_places = body.true_place + np.maximum(0.0, moved - body.owed)
    owed = max(0.0, body.owed - float(moved[-1]))
    return replace(body, standing=int(places[-1]), true_place=float(true_places[-1]), owed=owed), true_places


def shifted(body: Body, columns: float) -> Body:
    """The paper is moved on by so many columns at once; below 0 that much less comes of what is fed next."""
    if columns < 0:
        return replace(body, owed=body.owed - columns)
    return replace(body, true_place=body.true_place + columns)


def read_body(folder: Path, end: int) -> Body:
    """The body of a paper's folder; true, with its last column under the head, if the folder says nothing.

    Args:
        folder: of the paper.
        end: the place after the last that was laid.
    """
    path = folder / FILE_NAME
    if path.exists():
        return structure(json.loads(path.read_text()), Body)
    standing = max(0, end - 1)
    return Body(standing=standing, true_place=float(standing))


def keep_body(folder: Path, body: Body) -> None:
    """Write it beside the paper, unless the paper tells it all."""
    path = folder / FILE_NAME
    if body.plain and not path.exists():
        return
    partial = folder / (FILE_NAME + ".partial")
    partial.write_text(json.dumps(asdict(body)))
    partial.replace(path)
