"""How a board becomes the node of a machine: a short code, read out or typed once, turns into a token."""

from __future__ import annotations

import logging
from dataclasses import dataclass
from datetime import datetime, timedelta
from typing import Literal

from django.db import DEFAULT_DB_ALIAS, transaction

from machines.errors import InputError
from machines.protocol.messages import JournalPosition
from scheduling.commands.enrol_node import enrol
from scheduling.log.ends import lock
from scheduling.log.events.access import CodeCancelled, CodeMade
from scheduling.log.models import Machine
from scheduling.log.store import Append, Attribution, append
from scheduling.nodes.journal_history import taken_of_earlier
from scheduling.queries.names import require_in_use
from server import wiring
from server.accounts.models import EnrolmentCode, NodeCredential
from server.accounts.tokens import digest, mint

logger = logging.getLogger(__name__)

EndedBecause = Literal["ordered", "another-used", "node-revoked"]
# Crockford's base 32: no I, L, O or U, so that a code read aloud or from a slip of paper arrives as it left.
ALPHABET = "0123456789ABCDEFGHJKMNPQRSTVWXYZ"
MISREAD = str.maketrans("ILO", "110", "- ")
GROUPS, LETTERS_IN_GROUP = 3, 4
GOOD_FOR = timedelta(hours=24)


@dataclass(frozen=True, kw_only=True)
class Code:
    """A one-time code, to be shown once."""

    machine: str
    code: str
    expires_at: datetime


@dataclass(frozen=True, kw_only=True)
class NewCredentials:
    """What a board gets for its code; the token is never shown again.

    Attributes:
        epoch: of the credentials; every earlier board is fenced off.
        earlier: how much is there of the journals of earlier epochs, so that a board that keeps its journal tells
            nothing twice.
        paper_position: columns of paper known to be fed, for a machine that does not remember where its paper stands.
    """

    token: str
    machine: str
    epoch: int
    earlier: tuple[JournalPosition, ...] = ()
    paper_position: int = 0


def _plain(code: str) -> str:
    return code.upper().translate(MISREAD)


@transaction.atomic
def make_code(machine: str, by: Attribution) -> Code:
    """A code of 60 random bits for a machine. Codes made earlier keep working until one is used, or they expire.

    Raises:
        InputError: the machine was retired.
    """
    require_in_use(Machine, "machine", machine)
    groups = [wiring.chance().letters(LETTERS_IN_GROUP, ALPHABET) for _ in range(GROUPS)]
    code, expires_at = "-".join(groups), by.said_at + GOOD_FOR
    kept = EnrolmentCode.objects.create(
        machine=machine,
        digest=digest(_plain(code)),
        made_at=by.said_at,
        made_by=by.actor,
        expires_at=expires_at,
    )
    append([Append(f"code/{kept.pk}", None, [CodeMade(machine=machine, expires_at=expires_at)])], by)
    logger.info("request %s: %s made code:%s for machine %s", by.request, by.actor, kept.pk, machine)
    return Code(machine=machine, code=code, expires_at=expires_at)


def cancel_codes(machine: str, because: EndedBecause, by: Attribution) -> int:
    """Make every code of a machine useless that nobody used, and return how many there were."""
    with transaction.atomic():
        lock(DEFAULT_DB_ALIAS)  # before any row of a code, here and in `redeem`, so that neither waits for the other
        left = EnrolmentCode.objects.filter(machine=machine, used_at=None, cancelled_at=None)
        left = left.filter(expires_at__gt=by.said_at).order_by("pk")
        numbers = [*left.values_list("pk", flat=True)]
        EnrolmentCode.objects.filter(pk__in=numbers).update(cancelled_at=by.said_at)
        gone = CodeCancelled(machine=machine, because=because)
        append([Append(f"code/{number}", None, [gone]) for number in numbers], by)
    for number in numbers:
        logger.info("request %s: %s cancelled code:%s (%s)", by.request, by.actor, number, because)
    return len(numbers)


def redeem(code: str, request: str | None, now: datetime) -> NewCredentials:
    """Turn a code into a token and give the machine a new epoch, which fences off every earlier board. All other codes
    of the machine are good for nothing from then on.

    Raises:
        InputError: the code is unknown, used or expired, or its machine was retired. Which of them, only whoever holds
            the code is told.
    """
    kept = EnrolmentCode.objects.filter(digest=digest(_plain(code))).first()
    if kept is None:
        raise InputError("code", "not a code of this server", "type the code again, or ask the studio for a new one")
    if kept.cancelled_at is not None:
        raise InputError("code", "the code was cancelled", "ask the studio for a new one")
    if kept.expires_at <= now:
        raise InputError("code", "the code has expired", "ask the studio for a new one")
    if Machine.objects.filter(id=kept.machine).exclude(retired_at=None).exists():
        raise InputError("code", f"machine {kept.machine!r} was retired", "ask the studio to take that back first")
    with transaction.atomic():
        lock(DEFAULT_DB_ALIAS)
        if not EnrolmentCode.objects.filter(pk=kept.pk, used_at=None, cancelled_at=None).update(used_at=now):
            raise InputError("code", "the code was used before", "ask the studio for a new one")
        by = Attribution(actor=f"code:{kept.pk}", request=request, said_at=now)
        epoch = enrol(kept.machine, by)
        cancel_codes(kept.machine, "another-used", by)
        minted = mint("node")
        NodeCredential.objects.create(
            machine=kept.machine, epoch=epoch, prefix=minted.prefix, digest=minted.digest, made_at=now
        )
        fed = Machine.objects.get(id=kept.machine).paper_position
        logger.info("request %s: by code:%s a board took over machine %s", request, kept.pk, kept.machine)
        return NewCredentials(
            token=minted.token,
            machine=kept.machine,
            epoch=epoch,
            earlier=taken_of_earlier(kept.machine),
            paper_position=fed,
        )
