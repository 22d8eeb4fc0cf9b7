"""Looking at what is amiss, and keeping what people are to be told of it: each time from what is kept, so that a look
that is lost or made twice changes nothing."""

from __future__ import annotations

from collections.abc import Iterable
from datetime import datetime, timedelta

from django.db import DEFAULT_DB_ALIAS, transaction
from django.db.models import Q

from machines.serialization import structure, unstructure
from scheduling.log.beside_telling import add_messages, forget_telling, keep_matters
from scheduling.log.ends import lock
from scheduling.log.models import Matter as Row
from scheduling.log.models import Message
from scheduling.telling.amiss import OF_SERVER, Amiss, Looked
from scheduling.telling.matters import Matter, matters_now
from scheduling.telling.recipients import all_recipients
from scheduling.telling.whom import OVER, TEST, TOLD_OVER_FOR, Telling, tellings

# How long what was sent is kept, and what is over; what was sent of a matter stays until it is over.
KEPT = timedelta(days=90)


def keep_look(looked: Looked, now: datetime) -> int:
    """Keep what a look found; how many matters are new, are told anew, or are over."""
    with transaction.atomic():
        lock(DEFAULT_DB_ALIAS)  # two looks at once would find a matter twice
        known = [as_matter(row) for row in Row.objects.filter(over_at=None).order_by("told_from", "id")]
        before = {matter.id: matter for matter in known}
        after = matters_now(known, looked, now)
        new = [as_row(matter) for matter in after if matter.id not in before]
        seen = [(matter, before[matter.id]) for matter in after if matter != before.get(matter.id, matter)]
        keep_matters(new, [(as_row(matter), _is_anew(matter, was)) for matter, was in seen])
    return len(new) + sum(_is_anew(matter, was) or matter.over_at is not None for matter, was in seen)


def _is_anew(matter: Matter, was: Matter) -> bool:
    """Whether people are told of it anew, so that nobody sees to it yet."""
    had, has = ((one.kind, one.told_from, one.acknowledged_at) for one in (was, matter))
    return had != has


def forget_old(now: datetime) -> None:
    """Let go of what is kept for long enough, also where nobody is to be told of anything any more."""
    forget_telling(now - KEPT)


def plan_messages(now: datetime) -> int:
    """Have messages made of what is to be told now; how many are new."""
    rows = Row.objects.filter(Q(over_at=None) | Q(over_at__gt=now - TOLD_OVER_FOR)).order_by("told_from", "id")
    matters = [as_matter(row) for row in rows]
    found = tellings(all_recipients().recipients, matters, _told([one.id for one in matters]), now)
    return add_messages([as_message(one, now) for one in found])


def _told(matters: Iterable[str]) -> dict[str, frozenset[str]]:
    """Who was told of some matters, by their ids."""
    rows = Message.objects.filter(matter__in=list(matters), sent_at__isnull=False).exclude(what__in=(OVER, TEST))
    found: dict[str, set[str]] = {}
    for matter, recipient in rows.values_list("matter", "recipient"):
        if matter is not None and recipient is not None:
            found.setdefault(matter, set()).add(recipient)
    return {matter: frozenset(some) for matter, some in found.items()}


def as_message(one: Telling, now: datetime) -> Message:
    """A message that is to be sent at once."""
    made = {"matter": one.matter, "recipient": one.recipient, "what": one.what, "way": one.way}
    return Message(id=one.id, made_at=now, next_at=now, **made)


def as_matter(row: Row) -> Matter:
    """As it is reasoned about."""
    return Matter(
        id=row.id,
        kind=row.kind,  # type: ignore[arg-type]  # only such kinds are kept
        parts={key: structure(part, Amiss) for key, part in row.parts.items()},
        began_at=row.began_at,
        told_from=row.told_from,
        gone_at=row.gone_at,
        over_at=row.over_at,
        acknowledged_at=row.acknowledged_at,
    )


def as_row(matter: Matter) -> Row:
    """As it is kept."""
    return Row(
        id=matter.id,
        kind=matter.kind,
        venue=None if matter.kind in OF_SERVER else matter.venue,
        parts={key: unstructure(part) for key, part in matter.parts.items()},
        began_at=matter.began_at,
        told_from=matter.told_from,
        gone_at=matter.gone_at,
        over_at=matter.over_at,
    )
