"""What is kept of telling people, beside the log: whom, of what, and what was sent. No facts. Only this room writes it.

A message is claimed by whoever tries it, for a while: one whose worker was killed is tried again by another. What is
noted of a try counts only while its claim stands.
"""

from __future__ import annotations

from collections.abc import Collection, Sequence
from datetime import datetime
from typing import Any

from django.db import transaction
from django.db.models import F, Q

from machines.chance import Chance
from scheduling.log.beside import let_go
from scheduling.log.models import Matter, Message, Recipients

HOUSE = "house"
_SEEN = ("kind", "parts", "told_from", "gone_at", "over_at")


def keep_recipients(said: Any) -> None:
    """Keep whom to tell, in place of whom one was to tell before; as JSON."""
    Recipients.objects.update_or_create(name=HOUSE, defaults={"said": said})


def keep_matters(new: Sequence[Matter], seen: Sequence[tuple[Matter, bool]]) -> None:
    """Keep matters after a look.

    Args:
        new: which another process may have found, too.
        seen: those that are another than before, each with whether it is told anew, so that nobody sees to it yet.
    """
    with transaction.atomic():
        Matter.objects.bulk_create(new, ignore_conflicts=True)
        for row, anew in seen:
            fields = {name: getattr(row, name) for name in _SEEN}
            fields |= {"acknowledged_at": None, "acknowledged_by": None} if anew else {}
            Matter.objects.filter(id=row.id, over_at=None).update(**fields)


def acknowledge_matter(id: str, by: str, at: datetime) -> bool:
    """Note that somebody sees to it; whether nobody did before."""
    return bool(Matter.objects.filter(id=id, acknowledged_at=None).update(acknowledged_at=at, acknowledged_by=by))


def add_messages(messages: Sequence[Message]) -> int:
    """Messages that are to be sent, but for those that there are already; how many there are more."""
    there = set(Message.objects.filter(id__in=[one.id for one in messages]).values_list("id", flat=True))
    Message.objects.bulk_create([one for one in messages if one.id not in there], ignore_conflicts=True)
    return len({one.id for one in messages} - there)


def claim_message(id: str, claim: str, at: datetime, until: datetime) -> bool:
    """Whether whoever claims it may try it now: nobody else does, and it is still to be sent."""
    due = _waiting().filter(_unclaimed(at), id=id, next_at__lte=at)
    return bool(due.update(claim=claim, claimed_until=until, tries=F("tries") + 1))


def note_sent(id: str, claim: str, at: datetime) -> None:
    """The other side has taken it."""
    _claimed(id, claim).update(sent_at=at, claimed_until=None, problem="")


def note_failed(id: str, claim: str, problem: str, *, next_at: datetime | None, at: datetime) -> None:
    """It was not taken: to be tried again at an instant, or never."""
    again = {"given_up_at": at} if next_at is None else {"next_at": next_at}
    _claimed(id, claim).update(claimed_until=None, problem=problem, **again)


def put_off(id: str, claim: str, next_at: datetime) -> None:
    """It is not to be tried now: that it was claimed is no try."""
    _claimed(id, claim).update(claimed_until=None, next_at=next_at, tries=F("tries") - 1)


def tell_anew(ids: Collection[str]) -> None:
    """What was not sent of matters to some recipients is let go of, also what was given up: it is made anew while it is
    wanted, for the way by which they are told by now."""
    Message.objects.filter(recipient__in=ids, matter__isnull=False, sent_at=None).delete()


def forget_recipients(ids: Collection[str], chance: Chance) -> None:
    """Those who were taken away are told nothing more, and what was sent names them no more: neither by their id nor by
    its own, which whoever knows theirs could work out."""
    of_them = Message.objects.filter(recipient__in=ids)
    of_them.filter(sent_at=None).delete()
    for id in list(of_them.values_list("id", flat=True)):
        Message.objects.filter(id=id).update(id=chance.in_hex(16), recipient=None, problem="")
    Matter.objects.filter(acknowledged_by__in=[f"recipient:{id}" for id in ids]).update(acknowledged_by=None)


def forget_telling(before: datetime) -> None:
    """Let go of what was sent and of what is over since before an instant. What was sent of a matter that is not over
    stays: it would be sent again."""
    is_open = Matter.objects.filter(over_at=None).values("id")
    let_go(Message.objects.filter(made_at__lt=before).exclude(matter__in=is_open))
    let_go(Matter.objects.filter(over_at__lt=before))


def _waiting() -> Any:
    return Message.objects.filter(sent_at=None, given_up_at=None)


def _unclaimed(at: datetime) -> Q:
    return Q(claimed_until=None) | Q(claimed_until__lt=at)


def _claimed(id: str, claim: str) -> Any:
    return _waiting().filter(id=id, claim=claim)
