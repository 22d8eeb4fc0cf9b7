"""A command that is given again, as its answer was lost on the way, is carried out once and answered as the first."""

from __future__ import annotations

import hashlib
from typing import Any

from machines.serialization import unstructure
from scheduling.log.beside import keep_command
from scheduling.log.codec.canonical_json import canonical
from scheduling.log.models import Event, GivenCommand


def was_given(stream: str, command: Any, actor: str) -> bool:
    """Whether a stream was begun by this very command, of the same person or key, and still stands in the log."""
    given = GivenCommand.objects.filter(stream=stream, actor=actor, digest=digest_of(command))
    return given.exists() and Event.objects.filter(stream=stream, version=1).exists()


def keep(stream: str, command: Any, actor: str) -> None:
    """Remember, within the caller's transaction, by what a stream was begun."""
    keep_command(stream, actor, digest_of(command))


def digest_of(command: Any) -> str:
    """SHA-256, in hexadecimal, of a command with every default filled in, as canonical JSON."""
    return hashlib.sha256(canonical(unstructure(command)).encode()).hexdigest()
