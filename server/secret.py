"""The key that signs sessions: made once, kept in the server's folder, never in the project."""

from __future__ import annotations

import os
from pathlib import Path

from machines.chance import SYSTEM
from machines.disk import sync_folder
from scheduling.rendering.atomic_files import write_part

OWN_FILE, OTHERS = 0o600, 0o077
OWN_FOLDER = 0o700  # the database in it holds sessions and hashes of passwords: nobody else on the machine reads there


def make_home(home: Path) -> None:
    """Make the server's folder, for its own user alone. One that is there keeps the mode that somebody gave it."""
    home.mkdir(OWN_FOLDER, parents=True, exist_ok=True)


def own_file(file: Path) -> None:
    """Make a file where it is missing, and let nobody else on the machine read or write it; what SQLite puts beside it
    gets the same mode. One that belongs to another user stays as that one has it."""
    try:
        os.close(os.open(file, os.O_CREAT | os.O_RDWR, OWN_FILE))
        for one in (file, *(file.with_name(file.name + more) for more in ("-wal", "-shm"))):
            if one.exists() and one.stat().st_mode & OTHERS:
                one.chmod(OWN_FILE)
    except PermissionError:
        return


def secret_key(home: Path) -> str:
    """The key in ``DAYROLL_SECRET_KEY``, or else in ``home/secret-key``, made with mode 0600 where it is missing.

    Several processes may start at once, and the power may go: the file is whole or not there, and the first one counts.
    """
    if from_environment := os.environ.get("DAYROLL_SECRET_KEY"):
        return from_environment
    file = home / "secret-key"
    if not file.exists():
        make_home(home)
        part = write_part(home, [SYSTEM.in_text(64).encode()])
        try:
            os.link(part, file)
        except FileExistsError:
            pass  # another process was first
        finally:
            part.unlink()
        sync_folder(home)
    return file.read_text()
