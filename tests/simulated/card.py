"""A card or disk under the files that our programs write themselves: what is there for sure when the power goes.

    write, rename, unlink, mkdir --> seen by whoever runs, perhaps lost when the power goes
    os.fsync of a file           --> its octets stay
    os.fsync of a folder         --> the names in it stay, and which file each names

A layer beneath the standard library's ``os.fsync``; the programs know nothing of it. When the power goes, each change
of a name and each file's octets that nobody synced is kept or lost by the dice, one by one. Files of SQLite are its
own: it syncs them and their folder itself. A file that was synced and written again in part is not played.
"""

from __future__ import annotations

import os
import shutil
import sqlite3
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from dataclasses import dataclass, field
from hashlib import sha256
from pathlib import Path
from random import Random
from unittest.mock import patch

# What is not ours to sync, or of another machine's.
OTHERS = (".sqlite3", ".sqlite3-wal", ".sqlite3-shm", ".sqlite3-journal")
OTHER_NAMES = ("paper", "lock")

# Of SQLite, at which each commit is synced.
FULL = 2

# By its name, which file or folder it is, and whether it is a folder.
Names = dict[str, tuple[int, bool]]


@dataclass(frozen=True)
class Octets:
    """What a file holds for sure. It is held open meanwhile, so that no other is given its number once it is removed.

    Attributes:
        octets: that were synced.
        held: the open file.
    """

    octets: bytes
    held: int

    def __del__(self) -> None:
        os.close(self.held)


@dataclass
class Card:
    """Under one folder.

    Attributes:
        folder: with all below it.
        dice: decide what of the rest is lost.
        may_go: called where the power may go.
        complaints: of what was promised to be there and is not, in words.
    """

    folder: Path
    dice: Random
    may_go: Callable[[], None] = lambda: None
    complaints: list[str] = field(default_factory=list)
    _octets: dict[int, Octets] = field(default_factory=dict)
    _names: dict[Path, Names] = field(default_factory=dict)
    _promised: dict[Path, str] = field(default_factory=dict)

    def __post_init__(self) -> None:
        self.folder = self.folder.resolve()
        self.settle()

    def holds(self, path: Path) -> bool:
        """Whether it is under the folder."""
        return path == self.folder or self.folder in path.parents

    def settle(self) -> None:
        """All that is there now stays."""
        self._octets.clear()
        self._names.clear()
        for folder in self._folders():
            self.synced(folder)
            for path in map(folder.joinpath, self._names[folder]):
                if path.is_file():
                    self.synced(path)

    def synced(self, path: Path) -> None:
        """A file's octets are there for sure, or the names in a folder."""
        if path.is_dir():
            self._names[path] = _names(path)
        else:
            self._octets[path.stat().st_ino] = Octets(path.read_bytes(), os.open(path, os.O_RDONLY))

    def promised(self, path: Path) -> None:
        """Somebody was told that this file is there for sure."""
        path = path.resolve()
        if self.holds(path):
            self._promised[path] = _digest(path)

    def lose(self) -> None:
        """The power goes: a drawn part of what was not synced is lost; the rest is there for sure from now on."""
        kept = {path: digest for path, digest in self._promised.items() if _digest(path) == digest}
        if self.folder in self._names:
            self._lose_in(self.folder)
        self.settle()
        for path, digest in kept.items():
            if _digest(path) != digest:
                self.complaints.append(f"{path.relative_to(self.folder)} was said to be on the card, and is not")
        self._promised = {path: digest for path, digest in kept.items() if path.exists()}

    def _lose_in(self, folder: Path) -> None:
        now, sure = _names(folder), self._names.get(folder, {})
        for name in sorted({*now, *sure}):
            path = folder / name
            if now.get(name) != sure.get(name) and self.dice.random() < 0.5:
                _remove(path)
                self._bring_back(path, sure.get(name))
            elif path.is_dir():
                self._lose_in(path)
            elif path.exists():
                self._lose_octets(path)

    def _bring_back(self, path: Path, was: tuple[int, bool] | None) -> None:
        """The name is as it was; a folder that had it comes back empty."""
        if was is None:
            return
        inode, is_folder = was
        if is_folder:
            path.mkdir()
        else:
            path.write_bytes(self._sure(inode))

    def _lose_octets(self, path: Path) -> None:
        written, sure = path.read_bytes(), self._sure(path.stat().st_ino)
        if written == sure or self.dice.random() < 0.3:
            return
        left = self.dice.choice([sure, written[: self.dice.randrange(len(written) + 1)], b"\0" * len(written)])
        path.write_bytes(left)

    def _sure(self, inode: int) -> bytes:
        return self._octets[inode].octets if inode in self._octets else b""

    def _folders(self) -> Iterator[Path]:
        if not self.folder.is_dir():
            return
        yield self.folder
        for path in sorted(self.folder.rglob("*")):
            if path.is_dir() and not path.is_symlink() and path.name not in OTHER_NAMES:
                yield path


def _names(folder: Path) -> Names:
    ours = (entry for entry in os.scandir(folder) if not entry.name.endswith(OTHERS) and entry.name not in OTHER_NAMES)
    return {entry.name: (entry.stat().st_ino, entry.is_dir()) for entry in ours if not entry.is_symlink()}


def _digest(path: Path) -> str:
    return sha256(path.read_bytes()).hexdigest() if path.is_file() else ""


def _remove(path: Path) -> None:
    if path.is_dir():
        shutil.rmtree(path)
    else:
        path.unlink(missing_ok=True)


class Wal:
    """How much of what SQLite wrote to the log beside a database it has synced, as far as its settings tell: where it
    syncs each commit, all of it when that is over; elsewhere none until then. Its checkpoints are not looked at.

    Attributes:
        sure: octets.
    """

    def __init__(self) -> None:
        self.sure = 0
        self._syncs: bool | None = None  # a setting of the connection, made when it was opened

    def committed(self, db: sqlite3.Connection, file: Path) -> None:
        """A commit is over."""
        if self._syncs is None:
            self._syncs = db.execute("PRAGMA synchronous").fetchone()[0] >= FULL
        if self._syncs and file.exists():
            self.sure = file.stat().st_size

    def left(self, written: bytes, dice: Random) -> bytes:
        """What is left of it when the power goes."""
        return written[: dice.randint(min(self.sure, len(written)), len(written))]


@contextmanager
def syncing(cards: Callable[[], list[Card]]) -> Iterator[None]:
    """Whoever syncs a file or a folder has it on the card that it lies on; before and after, the power may go."""

    def fsync(descriptor: int) -> None:
        path = Path(f"/proc/self/fd/{descriptor}").readlink()
        for card in [card for card in cards() if card.holds(path)]:
            card.may_go()
            card.synced(path)
            card.may_go()

    with patch.object(os, "fsync", fsync):
        yield
