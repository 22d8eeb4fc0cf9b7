"""What a backup says of itself: a file beside the others, written last, so that a folder without it is no backup."""

from __future__ import annotations

import hashlib
import json
from collections.abc import Callable
from dataclasses import dataclass
from datetime import datetime
from pathlib import Path, PurePosixPath
from typing import Literal

from machines.errors import InputError
from machines.serialization import structure, unstructure
from scheduling.log.codec.canonical_json import canonical
from scheduling.log.integrity.signed_head import Statement

FORMAT = "dayroll-backup/1"
NAME = "manifest.json"
DATABASE, SECRET_KEY, UPLOADS, PLATES = "database", "secret-key", "uploads", "plates"

Engine = Literal["sqlite", "postgresql"]
# Told of what is done now, in words, as often as there is something to tell.
Tell = Callable[[str], None]


@dataclass(frozen=True, kw_only=True)
class KeptFile:
    """A file of a backup.

    Attributes:
        name: where it lies in the folder, with slashes.
        sha256: of what it holds, hexadecimal.
        octets: its length.
    """

    name: str
    sha256: str
    octets: int


@dataclass(frozen=True, kw_only=True)
class Manifest:
    """What a backup is.

    Attributes:
        format: `FORMAT`.
        program: version of the program that made it.
        made_at: when its database was as it is in it, UTC.
        engine: which database it is of.
        schema: in which its tables lie, on PostgreSQL; empty on SQLite.
        migrations: that the database had, as ``app.name``.
        log: how many events it holds, the last one's position, and the digest of all in their order; the ends of
            streams are left out, as that digest covers them.
        files: all others of the folder.
    """

    format: str
    program: str
    made_at: datetime
    engine: Engine
    schema: str
    migrations: tuple[str, ...]
    log: Statement
    files: tuple[KeptFile, ...]

    def below(self, name: str) -> list[KeptFile]:
        """Its files in a folder."""
        return [file for file in self.files if file.name.startswith(f"{name}/")]

    def file(self, name: str) -> KeptFile | None:
        """One of its files; None where it has none of that name."""
        return next((file for file in self.files if file.name == name), None)

    def text(self) -> str:
        """As it is written."""
        return canonical(unstructure(self)) + "\n"


def read(folder: Path) -> Manifest:
    """What a backup says of itself.

    Raises:
        InputError: it is none, or one of another program's, or cannot be read.
    """
    remedy = "give a folder that `dayroll backup` made"
    try:
        data = json.loads((folder / NAME).read_text(encoding="utf-8"))
    except FileNotFoundError:
        raise InputError(str(folder), f"no backup: it has no {NAME}", remedy) from None
    except (ValueError, RecursionError):
        raise InputError(str(folder / NAME), "it cannot be read", "take another backup") from None
    if not isinstance(data, dict) or data.get("format") != FORMAT:
        raise InputError(str(folder / NAME), f"not of the form {FORMAT}", remedy)
    try:
        found = structure(data, Manifest)
        for file in found.files:
            _require_within(file.name)
    except InputError as error:
        error.within(str(folder / NAME))
        raise
    if found.file(DATABASE) is None:
        raise InputError(str(folder / NAME), "it names no database", "take another backup")
    return found


def _require_within(name: str) -> None:
    path = PurePosixPath(name)
    if path.is_absolute() or ".." in path.parts or not path.parts:
        raise InputError("files", f"{name!r} lies outside of the backup", "take another backup")


def check(folder: Path, manifest: Manifest, tell: Tell) -> None:
    """See that each file is there and holds what it held.

    Raises:
        InputError: names the first that does not.
    """
    of, done = sum(file.octets for file in manifest.files), 0
    for file in manifest.files:
        try:
            with (folder / file.name).open("rb") as stream:
                digest = hashlib.file_digest(stream, "sha256").hexdigest()
        except FileNotFoundError:
            raise InputError(str(folder / file.name), "it is missing", "take another backup") from None
        if digest != file.sha256:
            raise InputError(str(folder / file.name), "it is not what was written", "take another backup")
        done += file.octets
        tell(f"checked {in_mb(done)} of {in_mb(of)} MB")


def in_mb(octets: int) -> str:
    """So many octets, in megabytes of a million."""
    return f"{octets / 1_000_000:.1f}"
