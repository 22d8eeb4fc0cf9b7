"""Plates fetched ahead, kept column by column, so that a burst is read without decoding a turn.

A file holds one plate: its columns one after another, each column's dots eight to a byte, the first in the highest
bit, filled up to a whole byte. It has its name only once all of it is on the card.
"""

from __future__ import annotations

import os
from collections.abc import Collection
from dataclasses import dataclass
from functools import lru_cache
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from machines.plate import Plate
from machines.profile import Profile

_SUFFIX = ".columns"


@dataclass(frozen=True)
class PlateStore:
    """The folder of plates."""

    folder: Path

    def _path(self, digest: str) -> Path:
        return self.folder / (digest + _SUFFIX)

    def has(self, digest: str) -> bool:
        """Whether a plate is here."""
        return self._path(digest).exists()

    def put(self, digest: str, plate: Plate) -> None:
        """Keep a plate whose digest was checked; on the card when this returns."""
        self.folder.mkdir(parents=True, exist_ok=True)
        partial = self._path(digest).with_suffix(".partial")
        with partial.open("wb") as file:
            file.write(np.packbits(plate.dots.T, axis=1).tobytes())
            file.flush()
            os.fsync(file.fileno())
        partial.rename(self._path(digest))
        _sync_folder(self.folder)

    def dots(self, digest: str, first: int, end: int, profile: Profile) -> NDArray[np.bool_]:
        """The dots of running columns, shape (dots_across, end - first).

        Raises:
            FileNotFoundError: the plate is not here.
        """
        stride = -(-profile.dots_across // 8)
        columns = np.arange(first, end) % profile.columns_per_turn
        packed = mapped_plate(self._path(digest), profile.columns_per_turn, stride)
        return np.unpackbits(packed[columns], axis=1, count=profile.dots_across).T.astype(np.bool_)

    def prune(self, needed: Collection[str]) -> None:
        """Remove all others."""
        for path in self.folder.glob("*" + _SUFFIX):
            if path.name.removesuffix(_SUFFIX) not in needed:
                path.unlink()


@lru_cache(maxsize=2)  # a plate is immutable; the last turn's and this one's
def mapped_plate(path: Path, columns: int, stride: int) -> NDArray[np.uint8]:
    """A plate's file as an array of shape (columns, bytes of a column), read from the card as it is needed."""
    return np.memmap(path, dtype=np.uint8, mode="r", shape=(columns, stride))


def _sync_folder(folder: Path) -> None:
    descriptor = os.open(folder, os.O_RDONLY)
    try:
        os.fsync(descriptor)
    finally:
        os.close(descriptor)
