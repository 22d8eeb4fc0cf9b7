"""Which board may come in for a machine, and by which codes another could: to look at, and to shut out."""

from __future__ import annotations

import logging
from dataclasses import dataclass
from datetime import datetime
from typing import Literal

from django.db import DEFAULT_DB_ALIAS, transaction

from machines.errors import InputError
from scheduling.log.ends import lock
from scheduling.log.events.access import NodeRevoked
from scheduling.log.models import Machine
from scheduling.log.store import Append, Attribution, append
from server.accounts.enrolment import cancel_codes
from server.accounts.models import EnrolmentCode, NodeCredential

logger = logging.getLogger(__name__)

CodeState = Literal["good", "used", "cancelled", "expired"]


@dataclass(frozen=True, kw_only=True)
class CodeKnown:
    """What is known of a code; not the code.

    Attributes:
        id: by which the log names it, as ``code:7``.
        made_by: who, as the log names them; null where nobody wrote it down.
        state: whether a board could still take over by it, or why not.
    """

    id: int
    made_at: datetime
    made_by: str | None
    expires_at: datetime
    state: CodeState


@dataclass(frozen=True, kw_only=True)
class Boards:
    """Who may come in for a machine.

    Attributes:
        epoch: of the newest board; 0 where none was ever enrolled.
        enrolled_at: when that was; null where it is not known.
        revoked_at: since when that board may come in no more; null while it may.
        codes: the newest first.
    """

    machine: str
    epoch: int
    enrolled_at: datetime | None
    revoked_at: datetime | None
    codes: tuple[CodeKnown, ...]


MOST_CODES = 100


def boards_of(machine: Machine, now: datetime) -> Boards:
    """How it stands, with the newest hundred codes."""
    newest = NodeCredential.objects.filter(machine=machine.id, epoch=machine.epoch).first()
    codes = EnrolmentCode.objects.filter(machine=machine.id).order_by("-pk")[:MOST_CODES]
    return Boards(
        machine=machine.id,
        epoch=machine.epoch,
        enrolled_at=None if newest is None else newest.made_at,
        revoked_at=None if newest is None else newest.revoked_at,
        codes=tuple(_known(code, now) for code in codes),
    )


def _known(code: EnrolmentCode, now: datetime) -> CodeKnown:
    state: CodeState = "good"
    if code.used_at is not None:
        state = "used"
    elif code.cancelled_at is not None:
        state = "cancelled"
    elif code.expires_at <= now:
        state = "expired"
    return CodeKnown(id=code.pk, made_at=code.made_at, made_by=code.made_by, expires_at=code.expires_at, state=state)


def revoke_node(machine: str, by: Attribution) -> None:
    """Shut out the board of a machine, and cancel the codes by which it could come back. A board that calls learns that
    it must print no more; one that never calls prints what it holds.

    Raises:
        InputError: there is none that may come in.
    """
    with transaction.atomic():
        lock(DEFAULT_DB_ALIAS)  # a board that is taking over just now is the one to be shut out, or finds no code
        epoch = Machine.objects.get(id=machine).epoch
        of_board = NodeCredential.objects.filter(machine=machine, epoch=epoch, revoked_at=None)
        if not of_board.update(revoked_at=by.said_at):
            raise InputError("machine", f"no board of {machine!r} may come in", "see `dayroll node list`")
        append([Append(f"machine/{machine}", None, [NodeRevoked(epoch=epoch)])], by)
        cancel_codes(machine, "node-revoked", by)
    logger.warning("request %s: %s revoked the board of machine %s, epoch %d", by.request, by.actor, machine, epoch)
