"""The paper of a simulated machine, as a folder that outlives whoever writes it.

    paper.json    the geometry
    paper.dots    the columns one after another, where they truly lie; each column's dots eight to a byte, the first in
                  the highest bit, filled up to a whole byte
    paper.ledger  a record of 32 bytes for each column laid, each cut, and each order refused because it would have
                  printed over what lies there; before a column or a cut that lies elsewhere than it was ordered, one
                  that says where

Both files only grow or are written at places of their own, so a process killed at any instant leaves them readable.
Dots without a record, where it was killed between the two, were not laid: they are gone when it goes on.
"""

from __future__ import annotations

import io
import json
import os
from dataclasses import dataclass, field
from pathlib import Path
from typing import Literal

import numpy as np
from numpy.typing import NDArray
from PIL import Image

from machines.errors import InputError
from machines.model.profile import Profile

LAID, CUT, REFUSED, RAGGED, LIES, CUT_LIES = 1, 2, 3, 4, 5, 6
RECORD = np.dtype([("kind", "<i8"), ("place", "<i8"), ("column", "<i8"), ("at", "<f8")])
# The same octets where the kind says that something lies elsewhere than at its place.
TRUE_RECORD = np.dtype([("kind", "<i8"), ("place", "<i8"), ("column", "<i8"), ("true_place", "<f8")])
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
        dots: bool, shape (dots_across, places), each column where it truly lies, to the nearest whole place; blank
            where nothing was laid.
        laid: records of columns in the order in which they were laid: ``place`` that was ordered, ``column`` (running),
            -1 for one of no picture, ``at`` (the true instant, POSIX seconds).
        cuts: records of cuts; those of kind ``RAGGED`` by a dull blade.
        refused: records of columns that were ordered where something lay.
        elsewhere: records of what lies elsewhere than it was ordered: of kind ``LIES`` of a column, ``CUT_LIES`` of a
            cut; its ``place`` and its ``true_place``, both in columns of paper.
    """

    geometry: Geometry
    dots: NDArray[np.bool_]
    laid: Records
    cuts: Records
    refused: Records
    elsewhere: Records = field(default_factory=lambda: np.empty(0, dtype=TRUE_RECORD))

    @property
    def true_places(self) -> NDArray[np.float64]:
        """Where each column of ``laid`` truly lies, in columns of paper."""
        return self._truly(self.laid, LIES)

    @property
    def true_cuts(self) -> NDArray[np.float64]:
        """Where each of ``cuts`` truly is, in columns of paper."""
        return self._truly(self.cuts, CUT_LIES)

    def _truly(self, ordered: Records, kind: int) -> NDArray[np.float64]:
        known = self.elsewhere[self.elsewhere["kind"] == kind]
        true_place = dict(zip(known["place"].tolist(), known["true_place"].tolist(), strict=True))
        return np.array([true_place.get(place, place) for place in ordered["place"].tolist()], dtype=np.float64)


class PaperWriter:
    """A paper being printed on. One process at a time.

    Attributes:
        end: the place after the last that was ordered.
        cut_at: the true instants of all cuts, POSIX seconds.
    """

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
        records = _records(folder)
        self.end = int(_of(records, LAID)["place"].max(initial=-1)) + 1
        os.ftruncate(self._dots, min(os.fstat(self._dots).st_size, _true_end(records) * self._stride))
        self.cut_at: list[float] = _of(records, CUT, RAGGED)["at"].tolist()

    def lay(
        self,
        place: int,
        dots: NDArray[np.bool_],
        first_column: int,
        at: NDArray[np.float64],
        true_places: NDArray[np.float64] | None = None,
    ) -> None:
        """Put columns on the paper.

        Args:
            place: that was ordered for the first.
            dots: bool, shape (dots_across, columns).
            first_column: running column of the first; -1 where they are of no picture.
            at: true instants, POSIX seconds.
            true_places: where they truly lie, in columns of paper; None for where they were ordered.
        """
        ordered = place + np.arange(dots.shape[1])
        packed = np.packbits(dots.T, axis=1)
        if true_places is None or np.array_equal(true_places, ordered):
            os.pwrite(self._dots, packed.tobytes(), place * self._stride)
            lies = b""
        else:
            self._add(packed, np.rint(true_places).astype(np.int64))
            lies = _elsewhere(LIES, ordered, true_places)
        self._append(lies + _rows(LAID, place, first_column, at))
        self.end = place + dots.shape[1]

    def cut(self, place: int, at: float, *, true_place: float | None = None, ragged: bool = False) -> None:
        """Cut the paper before a place, in truth before another if one is given; a dull blade cuts it raggedly."""
        elsewhere = true_place is not None and true_place != place
        lies = _elsewhere(CUT_LIES, np.array([place]), np.array([true_place])) if elsewhere else b""
        self._append(lies + _rows(RAGGED if ragged else CUT, place, NO_COLUMN, np.array([at])))
        self.cut_at.append(at)

    def refuse(self, place: int, first_column: int, columns: int, at: float) -> None:
        """Remember an order that would have printed over what lies there."""
        self._append(_rows(REFUSED, place, first_column, np.full(columns, at)))

    def close(self) -> None:
        """Close the files."""
        os.close(self._dots)
        os.close(self._ledger)

    def _add(self, packed: NDArray[np.uint8], places: NDArray[np.int64]) -> None:
        """Set dots beside those that lie there already, as paper that came too short shows them."""
        first, end = int(places.min()), int(places.max()) + 1
        there = np.zeros(((end - first) * self._stride,), dtype=np.uint8)
        content = os.pread(self._dots, there.size, first * self._stride)
        there[: len(content)] = np.frombuffer(content, dtype=np.uint8)
        columns = there.reshape(end - first, self._stride)
        np.bitwise_or.at(columns, places - first, packed)
        os.pwrite(self._dots, there.tobytes(), first * self._stride)

    def _append(self, rows: bytes) -> None:
        os.write(self._ledger, rows)  # one call, so that a kill leaves all of it or none


def _rows(kind: int, place: int, column: int, at: NDArray[np.float64]) -> bytes:
    records = np.empty(len(at), dtype=RECORD)
    records["kind"] = kind
    records["place"] = place + np.arange(len(at))
    records["column"] = NO_COLUMN if column == NO_COLUMN else column + np.arange(len(at))
    records["at"] = at
    return records.tobytes()


def _elsewhere(kind: int, places: NDArray[np.int64], true_places: NDArray[np.float64]) -> bytes:
    records = np.empty(len(places), dtype=TRUE_RECORD)
    records["kind"], records["column"] = kind, NO_COLUMN
    records["place"], records["true_place"] = places, true_places
    return records.tobytes()


def read_paper(folder: Path) -> Paper:
    """Read a paper, also while it is being printed on.

    Raises:
        InputError: there is none.
    """
    geometry = _geometry(folder)
    records = _records(folder)
    laid, elsewhere = _of(records, LAID), _of(records, LIES, CUT_LIES).view(TRUE_RECORD)
    return Paper(
        geometry=geometry,
        dots=_dots(folder, geometry, 0, _true_end(records)),
        laid=laid,
        cuts=_of(records, CUT, RAGGED),
        refused=_of(records, REFUSED),
        elsewhere=elsewhere,
    )


def column_end(folder: Path) -> int | None:
    """The running column after the last that was laid on a folder's paper; None where none was."""
    records = _records(folder)
    laid = records[(records["kind"] == LAID) & (records["column"] != NO_COLUMN)]
    return int(laid["column"][-1]) + 1 if laid.size else None


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


def _true_end(records: Records) -> int:
    """The place after the last on which dots lie."""
    true_places = _of(records, LIES).view(TRUE_RECORD)["true_place"]
    return max(int(_of(records, LAID)["place"].max(initial=-1)), int(np.rint(true_places.max(initial=-1.0)))) + 1


def _of(records: Records, *kinds: int) -> Records:
    return records[np.isin(records["kind"], kinds)]


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
