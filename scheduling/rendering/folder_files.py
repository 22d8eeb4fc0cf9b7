"""Files in a folder: whole or not there, at whatever instant the power goes."""

from __future__ import annotations

import os
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Any

from django.core.files.base import File

from scheduling.rendering.atomic_files import name_part, write_part
from scheduling.rendering.kept_files import KeptFiles


class FolderFiles(KeptFiles):
    """A folder. Names are paths in it, and ours: whoever calls sees to it that none leads elsewhere."""

    def __init__(self, location: Path | str) -> None:
        self.folder = Path(location)

    def path(self, name: str) -> Path:  # type: ignore[override]  # Django's is a text
        """Where a file lies, or would."""
        return self.folder / name

    def exists(self, name: str) -> bool:
        """Whether a file is there."""
        return self.path(name).is_file()

    def delete(self, name: str) -> None:
        """Remove a file, if it is there."""
        self.path(name).unlink(missing_ok=True)

    def size(self, name: str) -> int:
        """How many octets a file has."""
        return self.path(name).stat().st_size

    def tail(self, name: str, octets: int) -> bytes:
        """See `KeptFiles.tail`."""
        with self.path(name).open("rb") as file:
            file.seek(max(0, file.seek(0, os.SEEK_END) - octets))
            return file.read()

    def sizes(self, start: str) -> Iterator[tuple[str, int]]:
        """See `KeptFiles.sizes`: of what lies one folder deep, as everything here does that many files lie beside."""
        for file in self.folder.glob(f"{start}*/*"):
            yield f"{file.parent.name}/{file.name}", file.stat().st_size

    def take(self, name: str, part: Path) -> None:
        """See `KeptFiles.take`."""
        name_part(part, self.path(name))

    @contextmanager
    def parts(self) -> Iterator[Path]:
        """The folder itself: naming a part is one step there."""
        yield self.folder

    def _open(self, name: str, mode: str = "rb") -> File[Any]:
        return File(self.path(name).open(mode), name)

    def _save(self, name: str, content: File[Any]) -> str:
        name_part(write_part(self.folder, content.chunks()), self.path(name))
        return name
