"""Who is asking, and what they may do."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import datetime
from typing import Literal, get_args

Role = Literal["studio", "curator", "reader"]
ROLES: tuple[Role, ...] = get_args(Role)


@dataclass(frozen=True)
class Grant:
    """What somebody may do here.

    Attributes:
        role: which commands they may give, see `server.accounts.roles`.
        venues: ids of the only venues for which they may give them; None for every venue.
    """

    role: Role
    venues: tuple[str, ...] | None = None


STUDIO = Grant("studio")


def role_named(text: str) -> Role:
    """The role that was kept under a name. One that this version does not know, as of a newer one, only looks."""
    return next((role for role in ROLES if role == text), "reader")


def in_short(standing: Grant) -> str:
    """A standing as lists show it, such as ``curator of quay, shed``."""
    return standing.role if standing.venues is None else f"{standing.role} of {', '.join(standing.venues)}"


@dataclass(frozen=True)
class KeyHolder:
    """Somebody with a key; ``key`` is its visible prefix."""

    key: str
    name: str
    standing: Grant
    is_authenticated: bool = True

    @property
    def actor(self) -> str:
        """As the log names them: by the key, never by name."""
        return self.key


@dataclass(frozen=True)
class Node:
    """The board beside a machine; ``heard_at`` is when one was heard there last, as far as it was written down."""

    machine: str
    epoch: int
    heard_at: datetime | None = None
    is_authenticated: bool = True

    @property
    def actor(self) -> str:
        """As the log names it."""
        return f"node:{self.machine}:{self.epoch}"
