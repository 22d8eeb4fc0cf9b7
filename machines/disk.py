"""Folders, down to the disk: a name that is not synced is gone with the power, whatever the file holds."""

from __future__ import annotations

import os
from pathlib import Path


def make_folder(folder: Path) -> None:
    """Have a folder, and those above it, with the names of new ones down to the disk."""
    if not folder.is_dir():
        make_folder(folder.parent)
        folder.mkdir(exist_ok=True)
        sync_folder(folder.parent)


def sync_folder(folder: Path) -> None:
    """Have the names in a folder down to the disk."""
    descriptor = os.open(folder, os.O_RDONLY)
    try:
        os.fsync(descriptor)
    finally:
        os.close(descriptor)
