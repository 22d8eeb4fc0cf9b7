"""Who is asking."""

from __future__ import annotations

from dataclasses import dataclass


@dataclass(frozen=True)
class Studio:
    """Somebody of the studio, with a key; ``key`` is its visible prefix."""

    key: str
    name: str
    is_authenticated: bool = True

    @property
    def actor(self) -> str:
        """As the log names them: by the key, never by name."""
        return self.key


@dataclass(frozen=True)
class Node:
    """The board beside a machine."""

    machine: str
    epoch: int
    is_authenticated: bool = True

    @property
    def actor(self) -> str:
        """As the log names it."""
        return f"node:{self.machine}:{self.epoch}"
