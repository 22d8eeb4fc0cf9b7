"""Writing files that are named by what they hold: whole or not there, at whatever instant the power goes."""

from __future__ import annotations

import os
import re
import tempfile
from collections.abc import Iterable
from contextlib import suppress
from pathlib import Path

from machines.disk import make_folder, sync_folder

DIGEST = re.compile(r"[0-9a-f]{64}")
# Nobody takes a day to write a file: a part so much older than the newest one is of a process that was killed.
ABANDONED_AFTER_S = 86_400.0


def write_part(folder: Path, content: Iterable[bytes]) -> Path:
    """Write beside the files of a folder, down to the disk, and return where; `name_part` gives it its name.

    What is raised while the content comes, or because the disk is full, is passed on, and nothing is left. Parts that
    killed processes left in the folder a day ago are removed.
    """
    make_folder(folder)
    handle, name = tempfile.mkstemp(dir=folder, suffix=".part")
    try:
        with os.fdopen(handle, "wb") as stream:
            for piece in content:
                stream.write(piece)
            stream.flush()
            os.fsync(stream.fileno())
    except BaseException:
        Path(name).unlink()
        raise
    _remove_abandoned(folder, Path(name))
    return Path(name)


def _remove_abandoned(folder: Path, newest: Path) -> None:
    """Ages are told by the files themselves, by the clock of whoever keeps them."""
    newest_s = newest.stat().st_mtime
    for part in folder.glob("*.part"):
        with suppress(FileNotFoundError):  # somebody else was quicker
            if newest_s - part.stat().st_mtime > ABANDONED_AFTER_S:
                part.unlink()


def name_part(part: Path, path: Path) -> None:
    """Give a part its name, in one step. Where that fails, nothing is left of the part."""
    try:
        make_folder(path.parent)
        part.replace(path)
    except OSError:
        part.unlink(missing_ok=True)
        raise
    sync_folder(path.parent)
