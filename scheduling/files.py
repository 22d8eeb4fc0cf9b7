"""Writing files that are named by what they hold: whole or not there, at whatever instant the power goes."""

from __future__ import annotations

import os
import re
import tempfile
from collections.abc import Iterable
from pathlib import Path

DIGEST = re.compile(r"[0-9a-f]{64}")


def write_part(folder: Path, content: Iterable[bytes]) -> Path:
    """Write beside the files of a folder, down to the disk, and return where; `name_part` gives it its name.

    What is raised while the content comes is passed on, and nothing is left.
    """
    folder.mkdir(parents=True, exist_ok=True)
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
    return Path(name)


def name_part(part: Path, path: Path) -> None:
    """Give a part its name, in one step."""
    path.parent.mkdir(parents=True, exist_ok=True)
    part.replace(path)
    folder = os.open(path.parent, os.O_RDONLY)
    try:
        os.fsync(folder)
    finally:
        os.close(folder)
