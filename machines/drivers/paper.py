"""The paper of a simulated machine, as a folder that outlives whoever writes it.

    paper.json    the geometry
    paper.dots    the columns one after another, at their places; each column's dots eight to a byte, the first in the
                  highest bit, filled up to a whole byte
    paper.ledger  a record of 32 bytes for each column laid, each cut, and each order refused because it would have
                  printed over what lies there

Both files only grow or are written at places of their own, so a process killed at any instant leaves them readable.
"""

from __future__ import annotations

import io
import json
import os
from dataclasses import dataclass
from pathlib import Path
from typing import Literal

import numpy as np
from numpy.typing import NDArray
from PIL import Image

from machines.errors import InputError
from machines.profile import Profile

LAID, CUT, REFUSED = 1, 2, 3
RECORD = np.dtype([("kind", "<i8"), ("place", "<i8"), ("column", "<i8"), ("at", "<f8")])
NO_COLUMN = -1

Travel = Literal["right", "left"]
Records = NDArray[np.void]


@dataclass(frozen=True, kw_only=True)
class Geometry:
    """Of the paper: dots in a column, columns in a turn, and which way it moves."""

    dots_across: int
    columns_per_turn: int
    travel: Travel


@dataclass(frozen=True, eq=False, kw_only=True)
class Paper:
    """What lies on a paper.

    Attributes:
        geometry: of it.
        dots: bool, shape (dots_across, places); blank where nothing was laid.
        laid: records of columns in the order in which they were laid: ``place``, ``column`` (running), ``at`` (the
            true instant, POSIX seconds).
        cuts: records of cuts.
        refused: records of columns that were ordered where something lay.
    """

    geometry: Geometry
    dots: NDArray[np.bool_]
    laid: Records
    cuts: Records
    refused: Records


class PaperWriter:
    """A paper being printed on. One process at a time."""

    def __init__(self, folder: Path, profile: Profile) -> None:
        """Go on where the folder's paper ends, or begin one.

        Raises:
            InputError: the folder's paper has another geometry.
        """
        geometry = Geometry(
            dots_across=profile.dots_across, columns_per_turn=profile.columns_per_turn, travel=profile.travel
        )
        folder.mkdir(parents=True, exist_ok=True)
        _begin(folder, geometry)
        self._stride = _stride(geometry)
        self._dots = os.open(folder / "paper.dots", os.O_RDWR | os.O_CREAT, 0o644)
        self._ledger = os.open(folder / "paper.ledger", os.O_RDWR | os.O_CREAT | os.O_APPEND, 0o644)
        whole = os.fstat(self._ledger).st_size // RECORD.itemsize * RECORD.itemsize
        os.ftruncate(self._ledger, whole)  # a kill can have cut the last record short
        laid = _records(folder)
        laid = laid[laid["kind"] == LAID]
        self.end = int(laid["place"].max()) + 1 if laid.size else 0

    def lay(self, place: int, dots: NDArray[np.bool_], first_column: int, at: NDArray[np.float64]) -> None:
        """Put columns on the paper: dots of shape (dots_across, columns), laid at true instants (POSIX seconds)."""
        packed = np.packbits(dots.T, axis=1)
        os.pwrite(self._dots, packed.tobytes(), place * self._stride)
        self._append(LAID, place, first_column, at)
        self.end = place + dots.shape[1]

    def cut(self, place: int, at: float) -> None:
        """Cut the paper before a place."""
        self._append(CUT, place, NO_COLUMN, np.array([at]))

    def refuse(self, place: int, first_column: int, columns: int, at: float) -> None:
        """Remember an order that would have printed over what lies there."""
        self._append(REFUSED, place, first_column, np.full(columns, at))

    def close(self) -> None:
        """Close the files."""
        os.close(self._dots)
        os.close(self._ledger)

    def _append(self, kind: int, place: int, column: int, at: NDArray[np.float64]) -> None:
        records = np.empty(len(at), dtype=RECORD)
        records["kind"] = kind
        records["place"] = place + np.arange(len(at))
        records["column"] = NO_COLUMN if column == NO_COLUMN else column + np.arange(len(at))
        records["at"] = at
        os.write(self._ledger, records.tobytes())  # one call, so that a kill leaves all of it or none


def read_paper(folder: Path) -> Paper:
    """Read a paper, also while it is being printed on.

    Raises:
        InputError: there is none.
    """
    geometry = _geometry(folder)
    records = _records(folder)
    of_kind = {kind: records[records["kind"] == kind] for kind in (LAID, CUT, REFUSED)}
    end = int(of_kind[LAID]["place"].max()) + 1 if of_kind[LAID].size else 0
    return Paper(
        geometry=geometry,
        dots=_dots(folder, geometry, 0, end),
        laid=of_kind[LAID],
        cuts=of_kind[CUT],
        refused=of_kind[REFUSED],
    )


def paper_png(folder: Path, first: int, end: int, travel: Travel | None) -> bytes:
    """Places of the paper as a PNG, one pixel a dot, black on white.

    Args:
        folder: of the paper.
        first, end: places, the end excluded; blank where nothing was laid.
        travel: as a viewer in front of a machine sees it whose paper moves this way: moving right, the newest column is
            at the left end. None for phase order, the newest at the right end.

    Raises:
        InputError: there is no paper.
    """
    dots = _dots(folder, _geometry(folder), first, end)
    if travel == "right":
        dots = dots[:, ::-1]
    stream = io.BytesIO()
    Image.fromarray(~dots).convert("1").save(stream, "PNG")
    return stream.getvalue()


def _begin(folder: Path, geometry: Geometry) -> None:
    path = folder / "paper.json"
    if not path.exists():
        partial = folder / "paper.json.partial"
        partial.write_text(json.dumps(vars(geometry)))
        partial.rename(path)
    found = _geometry(folder)
    if found != geometry:
        problem = f"the paper in {folder} has {found}, the profile {geometry}"
        raise InputError("profile", problem, "give the paper that is on the machine another folder")


def _geometry(folder: Path) -> Geometry:
    try:
        return Geometry(**json.loads((folder / "paper.json").read_text()))
    except FileNotFoundError:
        raise InputError("paper", f"no paper in {folder}", "print something first") from None


def _stride(geometry: Geometry) -> int:
    return -(-geometry.dots_across // 8)


def _records(folder: Path) -> Records:
    content = (folder / "paper.ledger").read_bytes()
    return np.frombuffer(content[: len(content) // RECORD.itemsize * RECORD.itemsize], dtype=RECORD)


def _dots(folder: Path, geometry: Geometry, first: int, end: int) -> NDArray[np.bool_]:
    stride = _stride(geometry)
    packed = np.zeros(((end - first) * stride,), dtype=np.uint8)
    with (folder / "paper.dots").open("rb") as file:
        file.seek(first * stride)
        content = file.read(packed.size)
    packed[: len(content)] = np.frombuffer(content, dtype=np.uint8)
    return np.unpackbits(packed.reshape(end - first, stride), axis=1, count=geometry.dots_across).T.astype(np.bool_)
