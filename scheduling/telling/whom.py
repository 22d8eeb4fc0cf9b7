"""Who is told of a matter now: by what they are there for, where, by their own hours, and by whether somebody sees to
it."""

from __future__ import annotations

import hashlib
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from datetime import datetime, timedelta
from typing import Final

from scheduling.planning.opening_hours import open_spans
from scheduling.planning.quiet_hours import quiet_spans
from scheduling.sky.zones import zone
from scheduling.telling.amiss import NOT_PRINTING, OF_SERVER, AmissKind
from scheduling.telling.matters import Matter
from scheduling.telling.recipients import Recipient
from scheduling.venues.contacts import ContactRole

OVER: Final = "over"
TEST: Final = "test"
AN_INSTANT = timedelta(microseconds=1)
# For how long people may yet be told that a matter is over, as where their quiet hours go on, or they are on call on
# one day a week.
TOLD_OVER_FOR = timedelta(days=8)

_OF_MACHINES: frozenset[AmissKind] = frozenset(
    {*NOT_PRINTING, "word-passed-over", "opening", "refused", "knife", "hands", "supply", "clock"}
)
# What each is told of. The server itself is the studio's, and of those who are bound to no venue.
HEARD_BY: Mapping[ContactRole, frozenset[AmissKind]] = {
    "studio": _OF_MACHINES | frozenset(OF_SERVER),
    "technician": _OF_MACHINES,
    "other": _OF_MACHINES,
    "curator": frozenset({*NOT_PRINTING, "word-passed-over", "opening"}),
    "house": frozenset({"never-heard", "ended", "silence", "stands", "held", "knife", "hands"}),
}


@dataclass(frozen=True)
class Telling:
    """One thing that somebody is to be told.

    Attributes:
        matter, recipient: ids.
        what: as which kind the matter is told, or that it is over.
        way: email or webhook.
        told_from: from when on the matter is told as that, UTC; it may be told as one kind more than once.
    """

    matter: str
    recipient: str
    what: str
    way: str
    told_from: datetime

    @property
    def id(self) -> str:
        """The same whoever works it out, so that nobody is told twice."""
        return telling_id(self.matter, self.recipient, self.what, self.told_from.isoformat())


def telling_id(*parts: str) -> str:
    """Of a message, by what makes it the one that it is."""
    return hashlib.sha256("\n".join(parts).encode()).hexdigest()[:32]


def tellings(
    recipients: Sequence[Recipient], matters: Sequence[Matter], sent: Mapping[str, frozenset[str]], now: datetime
) -> Iterator[Telling]:
    """What is to be told now, and may be told already.

    Args:
        recipients: all of them.
        matters: those that are not over, or have not been for long.
        sent: the ids of the recipients who were told of a matter, by its id.
        now: this instant, UTC.
    """
    for matter in matters:
        for one in recipients:
            if matter.over_at is not None:
                if one.id in sent.get(matter.id, ()) and may_hear(one, False, now):
                    yield Telling(matter.id, one.id, OVER, one.way, matter.told_from)
            elif is_told(one, matter, now):
                yield Telling(matter.id, one.id, matter.kind, one.way, matter.told_from)


def concerns(one: Recipient, matter: Matter) -> bool:
    """Whether somebody is told of such a matter at all."""
    return matter.kind in HEARD_BY[one.role] and (not one.venues or matter.venue in one.venues)


def is_told(one: Recipient, matter: Matter, now: datetime) -> bool:
    """Whether somebody is to be told of a matter now, which is not over. Nobody is of one of which nothing is found: it
    may be over in a moment."""
    if not concerns(one, matter) or matter.acknowledged_at is not None or matter.gone_at is not None:
        return False
    if now < matter.told_from + timedelta(minutes=one.after_min):
        return False
    return may_hear(one, matter.is_pressing, now)


def may_hear(one: Recipient, is_pressing: bool, at: datetime) -> bool:
    """Whether somebody may be told something at an instant, by their hours.

    Args:
        one: who.
        is_pressing: whether it cannot wait for the end of their quiet hours.
        at: the instant, UTC.
    """
    return is_on_call(one, at) and (is_pressing or not is_quiet(one, at))


def is_on_call(one: Recipient, at: datetime) -> bool:
    """Whether somebody may be told anything at an instant."""
    return one.on_call is None or bool(open_spans(one.on_call, zone(one.zone), at, at + AN_INSTANT))


def is_quiet(one: Recipient, at: datetime) -> bool:
    """Whether somebody is told only what cannot wait at an instant."""
    return one.quiet is not None and bool(quiet_spans(one.quiet, zone(one.zone), at, at + AN_INSTANT))
