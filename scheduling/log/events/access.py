"""Who may come in, and who lets them: see `scheduling.log.events`. Secrets are in none of them, and no names of people:
a key is named by its visible part, an account and a code by their numbers."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import datetime
from typing import ClassVar, Literal


@dataclass(frozen=True, kw_only=True)
class KeyMade:
    """A key to the API was made.

    Attributes:
        role: what its holder may do.
        venues: ids of the only venues that the role is for; None for every venue.
        ends_at: when it opens nothing any more; None where it has no end.
    """

    stream: ClassVar[str] = "key"
    role: str
    venues: tuple[str, ...] | None = None
    ends_at: datetime | None = None


@dataclass(frozen=True, kw_only=True)
class KeyRevoked:
    """A key opens nothing any more."""

    stream: ClassVar[str] = "key"


@dataclass(frozen=True, kw_only=True)
class CodeMade:
    """A one-time code was made, by which a board can take over a machine."""

    stream: ClassVar[str] = "code"
    machine: str
    expires_at: datetime


@dataclass(frozen=True, kw_only=True)
class CodeCancelled:
    """A code that nobody had used is good for nothing any more.

    Attributes:
        because: somebody said so (``ordered``), a board took over by another code (``another-used``), or the machine's
            board was revoked (``node-revoked``).
    """

    stream: ClassVar[str] = "code"
    machine: str
    because: Literal["ordered", "another-used", "node-revoked"]


@dataclass(frozen=True, kw_only=True)
class NodeRevoked:
    """The board of a machine may come in no more, and is to print no more, until one is enrolled with a new code."""

    stream: ClassVar[str] = "machine"
    epoch: int


@dataclass(frozen=True, kw_only=True)
class AccountMade:
    """A person may sign in on the pages, in a role."""

    stream: ClassVar[str] = "user"
    role: str
    venues: tuple[str, ...] | None = None


@dataclass(frozen=True, kw_only=True)
class RoleChanged:
    """A person has another role, or other venues."""

    stream: ClassVar[str] = "user"
    role: str
    venues: tuple[str, ...] | None = None


@dataclass(frozen=True, kw_only=True)
class AccountClosed:
    """A person may sign in no more."""

    stream: ClassVar[str] = "user"


@dataclass(frozen=True, kw_only=True)
class AccountReopened:
    """A person may sign in again, in the role that they had."""

    stream: ClassVar[str] = "user"


@dataclass(frozen=True, kw_only=True)
class CalendarAddressChanged:
    """A calendar has another secret address, or its first; at the one of before nothing is any more.

    Attributes:
        remark: digest of why, see `scheduling.log.remarks`.
    """

    stream: ClassVar[str] = "calendar"
    remark: str | None = None


@dataclass(frozen=True, kw_only=True)
class CalendarWishesSet:
    """Somebody said what a person's calendar shows, and when it reminds. What, stands beside the log: it is the
    person's own.

    Attributes:
        remark: digest of why, see `scheduling.log.remarks`.
    """

    stream: ClassVar[str] = "calendar"
    remark: str | None = None


AccessEvent = (
    KeyMade
    | KeyRevoked
    | CodeMade
    | CodeCancelled
    | NodeRevoked
    | AccountMade
    | RoleChanged
    | AccountClosed
    | AccountReopened
    | CalendarAddressChanged
    | CalendarWishesSet
)
