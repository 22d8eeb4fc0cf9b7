"""The key that signs sessions: made once, kept in the server's folder, never in the project."""

from __future__ import annotations

import os
import secrets
from pathlib import Path


def secret_key(home: Path) -> str:
    """The key in ``DAYROLL_SECRET_KEY``, or else in ``home/secret-key``, made with mode 0600 where it is missing."""
    if from_environment := os.environ.get("DAYROLL_SECRET_KEY"):
        return from_environment
    home.mkdir(parents=True, exist_ok=True)
    file = home / "secret-key"
    try:
        handle = os.open(file, os.O_WRONLY | os.O_CREAT | os.O_EXCL, 0o600)
    except FileExistsError:
        return file.read_text()
    key = secrets.token_urlsafe(64)
    with os.fdopen(handle, "w") as stream:
        stream.write(key)
    return key
