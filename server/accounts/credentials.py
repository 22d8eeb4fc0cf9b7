"""What opens the node's calls to a board, in one question: every call of every node asks it, many times an hour."""

from __future__ import annotations

from typing import NamedTuple

from django.db import connection

_ASKED = """SELECT node.machine, node.digest, node.epoch, machine.epoch, node.revoked_at IS NOT NULL
    FROM accounts_nodecredential AS node JOIN log_machine AS machine ON machine.id = node.machine
    WHERE node.prefix = %s"""


class Credential(NamedTuple):
    """A board's.

    Attributes:
        machine: id.
        digest: SHA-256 of the token.
        epoch: of this board.
        newest: epoch of the machine; another one where another board has taken over.
        is_revoked: whether this board may come in no more.
    """

    machine: str
    digest: str
    epoch: int
    newest: int
    is_revoked: bool


def credential_of(prefix: str) -> Credential | None:
    """The credential whose token has a visible prefix; None where there is none."""
    with connection.cursor() as cursor:
        cursor.execute(_ASKED, (prefix,))
        found = cursor.fetchone()
    return None if found is None else Credential(*found)
