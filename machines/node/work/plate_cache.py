"""Plates fetched ahead, kept column by column, so that a burst is read without decoding a turn.

A file holds one plate: its columns one after another, each column's dots eight to a byte, the first in the highest
bit, filled up to a whole byte. It has its name only once all of it is on the card. Neither fetching nor reading one
ever holds a whole turn in memory: a plate may be larger than what a small board has.
"""

from __future__ import annotations

import errno
import hashlib
import os
import shutil
from collections.abc import Collection, Iterable, Iterator
from dataclasses import dataclass
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from machines.disk import make_folder, sync_folder
from machines.errors import InputError
from machines.imaging.plate import Plate, digest_head
from machines.imaging.png_rows import PlateRows, read_rows
from machines.model.profile import Profile
from machines.node.work.plausibility import DIGEST

_SUFFIX = ".columns"
# Octets of each row that are turned into columns at a time: 512 columns.
_BLOCK = 64
# What plates leave free on the card, octets: the journal of a year has less.
LEAST_FREE = 33_554_432


@dataclass(frozen=True)
class PlateCache:
    """The folder of plates."""

    folder: Path

    def _path(self, digest: str) -> Path:
        if not DIGEST.fullmatch(digest):
            raise InputError("plate", "its name is no digest", "ask the server again")
        return self.folder / (digest + _SUFFIX)

    def has(self, digest: str) -> bool:
        """Whether a plate is here."""
        path = f"{self.folder}/{digest}{_SUFFIX}"  # each plan of a burst asks, and a Path takes longest
        return DIGEST.fullmatch(digest) is not None and os.path.exists(path)  # noqa: PTH110 - as above

    def put(self, digest: str, plate: Plate) -> None:
        """Keep a plate whose digest was checked; on the card when this returns."""
        self._write(digest, [np.packbits(plate.dots.T, axis=1).tobytes()])

    def keep(self, digest: str, png: Iterable[bytes], profile: Profile) -> None:
        """Keep a plate as its PNG arrives, in pieces of any length; proved and on the card when this returns.

        Raises:
            InputError: not a whole PNG, not of this machine's size, or not the dots of that digest; nothing is kept.
        """
        coming = read_rows(png)
        came, wanted = (coming.dots_across, coming.columns), (profile.dots_across, profile.columns_per_turn)
        if came != wanted:
            raise InputError("plate", f"a plate of {came} dots came for a machine of {wanted}", "correct the run")
        make_folder(self.folder)
        self._require_room(coming)
        rows = self._path(digest).with_suffix(".rows")
        try:
            if _write_rows(rows, coming) != digest:
                raise InputError("plate", "it came with other dots", "fetch it again")
            self._write(digest, _columns(rows, coming))
        finally:
            rows.unlink(missing_ok=True)

    def _require_room(self, coming: PlateRows) -> None:
        """The journal lies on the same card, and nothing is printed without it.

        Raises:
            OSError: with this plate the card would be nearly full.
        """
        needed = 2 * coming.dots_across * (1 + -(-coming.columns // 8))
        if shutil.disk_usage(self.folder).free < needed + LEAST_FREE:
            raise OSError(errno.ENOSPC, f"a plate is left out, so that {LEAST_FREE} octets stay free", str(self.folder))

    def _write(self, digest: str, columns: Iterable[bytes]) -> None:
        make_folder(self.folder)
        partial = self._path(digest).with_suffix(".partial")
        with partial.open("wb") as file:
            file.writelines(columns)
            file.flush()
            os.fsync(file.fileno())
        partial.rename(self._path(digest))
        sync_folder(self.folder)

    def dots(self, digest: str, first: int, end: int, profile: Profile) -> NDArray[np.bool_]:
        """The dots of running columns, shape (dots_across, end - first).

        Raises:
            FileNotFoundError: the plate is not here; nor is that of a column that is not held, whose digest is empty.
        """
        if not digest:
            raise FileNotFoundError("no plate is held for these columns")
        stride = -(-profile.dots_across // 8)
        with self._path(digest).open("rb") as file:
            packed = b"".join(_stretches(file.fileno(), first, end, profile.columns_per_turn, stride))
        columns = np.frombuffer(packed, dtype=np.uint8).reshape(end - first, stride)
        return np.unpackbits(columns, axis=1, count=profile.dots_across).T.astype(np.bool_)

    def prune(self, needed: Collection[str]) -> None:
        """Remove all others, and what is left of fetching any."""
        if not self.folder.is_dir():
            return
        for path in self.folder.iterdir():
            if path.suffix != _SUFFIX or path.stem not in needed:
                path.unlink()


def longest_png(profile: Profile) -> int:
    """Octets of the longest PNG that a plate of a machine can be: all its dots, not to be compressed, and some more for
    its chunks."""
    dots = profile.dots_across * (1 + -(-profile.columns_per_turn // 8))
    return dots + dots // 64 + 65_536


def _write_rows(path: Path, coming: PlateRows) -> str:
    """Put the rows in a file one after another; their digest, see `machines.imaging.plate.Plate.digest`."""
    digest = hashlib.sha256(digest_head(coming.dots_across, coming.columns))
    with path.open("wb") as file:
        for row in coming.rows:
            digest.update(row)
            file.write(row)
    return digest.hexdigest()


def _columns(rows: Path, of: PlateRows) -> Iterator[bytes]:
    """The columns of a file of rows, some at a time."""
    stride = -(-of.columns // 8)
    with rows.open("rb") as file:
        for at in range(0, stride, _BLOCK):
            width = min(_BLOCK, stride - at)
            block = b"".join(os.pread(file.fileno(), width, row * stride + at) for row in range(of.dots_across))
            packed = np.frombuffer(block, dtype=np.uint8).reshape(of.dots_across, width)
            dots = np.unpackbits(packed, axis=1, count=min(8 * width, of.columns - 8 * at))
            yield np.packbits(dots.T, axis=1).tobytes()


def _stretches(file: int, first: int, end: int, columns_per_turn: int, stride: int) -> Iterator[bytes]:
    """Running columns from a file of columns, a turn's end at a time."""
    while first < end:
        column = first % columns_per_turn
        count = min(end - first, columns_per_turn - column)
        yield os.pread(file, count * stride, column * stride)
        first += count
