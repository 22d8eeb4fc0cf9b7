"""What opens the node's calls to a board, in one question: every call of every node asks it, many times an hour."""

from __future__ import annotations

from datetime import UTC, datetime
from typing import NamedTuple

from django.db import connection

_ASKED = """SELECT node.machine, node.digest, node.epoch, machine.epoch, node.revoked_at IS NOT NULL, heard.heard_at
    FROM accounts_nodecredential AS node JOIN log_machine AS machine ON machine.id = node.machine
    LEFT JOIN log_heartbeat AS heard ON heard.machine_id = node.machine
    WHERE node.prefix = %s"""


class Credential(NamedTuple):
    """A board's.

    Attributes:
        machine: id.
        digest: SHA-256 of the token.
        epoch: of this board.
        newest: epoch of the machine; another one where another board has taken over.
        is_revoked: whether this board may come in no more.
        heard_at: when a board of the machine was heard last, as far as it was written down, UTC; None before the first.
    """

    machine: str
    digest: str
    epoch: int
    newest: int
    is_revoked: bool
    heard_at: datetime | None

    @property
    def is_good(self) -> bool:
        """Whether whoever has the token may come in."""
        return self.epoch == self.newest and not self.is_revoked


def credential_of(prefix: str) -> Credential | None:
    """The credential whose token has a visible prefix; None where there is none."""
    with connection.cursor() as cursor:
        cursor.execute(_ASKED, (prefix,))
        found = cursor.fetchone()
    if found is None:
        return None
    kept = Credential(*found)
    return kept._replace(heard_at=_instant(kept.heard_at))


def _instant(found: datetime | None) -> datetime | None:
    """SQLite keeps instants in UTC, and does not say so."""
    return found.replace(tzinfo=UTC) if found is not None and found.tzinfo is None else found
