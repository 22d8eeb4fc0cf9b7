"""What the demonstration promises of telling people: each outage at a machine was told once by mail and once by
webhook, and once as over by each; nothing came twice, and nothing that was not sent."""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from datetime import datetime, timedelta
from typing import Any

from machines.serialization import parse_instant
from server.demo.acceptance import Promise
from server.demo.mail_receiver import Letter
from server.demo.receiver import Hook

WAYS = ("email", "webhook")
# As which a machine is told that does not print what is due, by the API's names.
NOT_PRINTING = ("never-heard", "ended", "silence", "stands", "held", "outage")
# A board is heard at least so often, so that a silence begins no earlier before its outage.
HEARD_EVERY = timedelta(hours=1)
OVER = "over"


@dataclass(frozen=True)
class Away:
    """An outage at a machine, of which people are to be told: from when to when nothing could be heard, UTC; without an
    end while it lasts."""

    machine: str
    since: datetime
    until: datetime | None = None


@dataclass(frozen=True, kw_only=True)
class Received:
    """Whatever two real receivers took, and what the server says that it sent.

    Attributes:
        hooks, letters: all that came in, in order.
        messages, matters: rows of the API.
        mailbox: the address that letters are for.
    """

    hooks: Sequence[Hook]
    letters: Sequence[Letter]
    messages: Sequence[Mapping[str, Any]]
    matters: Sequence[Mapping[str, Any]]
    mailbox: str

    @property
    def ids(self) -> Mapping[str, list[str]]:
        """Of messages, as they came, by way."""
        return {"email": [one.id for one in self.letters], "webhook": [one.id for one in self.hooks]}


def told_of_outages(received: Received, away: Sequence[Away]) -> Promise:
    """Each outage was told once and was over once, both ways; whatever came was sent once, and came once.

    Args:
        received: all of it.
        away: the outages, in the order in which they began.
    """
    named = {one["id"]: one for one in received.messages}
    matters = [_matter_of(one, received.matters) for one in away]
    complaints = [*_not_once(received), *_not_as_sent(received, named)]
    complaints += [
        f"nobody was told of the outage at {one.machine}" for one, m in zip(away, matters, strict=True) if not m
    ]
    of_outages = [matter["id"] for matter in matters if matter is not None]
    complaints += [
        f"{row['id']} was no outage"
        for row in received.matters
        if row["kind"] in NOT_PRINTING and row["id"] not in of_outages and _times(received, named, row["id"])
    ]
    for id in of_outages:
        complaints += _not_told_and_over(id, _times(received, named, id))
    by_way = {f"by_{way}": len(ids) for way, ids in received.ids.items()}
    measured = by_way | {"of_outages": _of_outages(received, named, away, matters)}
    return Promise("told-of-outages", not complaints, measured | ({"complaints": complaints} if complaints else {}))


def _matter_of(away: Away, matters: Sequence[Mapping[str, Any]]) -> Mapping[str, Any] | None:
    """The one that began as an outage did."""
    for row in matters:
        machines = {part["machine"] for part in row["parts"].values()}
        since = parse_instant(row["began_at"])
        is_its_own = row["kind"] in NOT_PRINTING and away.machine in machines
        if is_its_own and away.since - HEARD_EVERY <= since <= (away.until or away.since):
            return row
    return None


def _not_once(received: Received) -> Iterator[str]:
    """What came twice, and what came though the server does not say that it sent it, or the other way round."""
    sent = {(one["way"], one["id"]) for one in received.messages if one["sent_at"] is not None}
    came = Counter((way, id) for way, ids in received.ids.items() for id in ids)
    yield from (f"{id} came {count} times by {way}" for (way, id), count in came.items() if count > 1)
    yield from (f"{id} came by {way}, and was never sent" for way, id in came if (way, id) not in sent)
    yield from (f"{id} was sent by {way}, and never came" for way, id in sorted(sent - set(came)))


def _not_as_sent(received: Received, named: Mapping[str, Mapping[str, Any]]) -> Iterator[str]:
    """What is not signed, or for somebody else; what says something else by mail than by webhook; and an end that is no
    answer to what was told."""
    yield from (f"{hook.id} is not signed" for hook in received.hooks if not hook.is_signed)
    said = {_what(named[one.id]): one.said["data"]["subject"] for one in received.hooks if one.id in named}
    for letter in received.letters:
        if letter.envelope != (received.mailbox,):
            yield f"{letter.id} is for {', '.join(letter.envelope)}"
        row = named.get(letter.id)
        if row is None:
            continue
        if letter.said["Subject"] != said.get(_what(row)):
            yield f"{letter.id} says {letter.said['Subject']!r}, which no webhook does"
        begun = named.get(letter.answers)
        if row["what"] == OVER and (begun is None or begun["matter"] != row["matter"]):
            yield f"{letter.id} is no answer to what told of {row['matter']}"


def _what(row: Mapping[str, Any]) -> tuple[str, str]:
    return row["matter"], row["what"]


def _of_outages(
    received: Received,
    named: Mapping[str, Mapping[str, Any]],
    away: Sequence[Away],
    matters: Sequence[Mapping[str, Any] | None],
) -> dict[str, dict[str, int]]:
    """How many messages came of the outages at each machine, by either way: as told, and as over."""
    found = {one.machine: {"outages": 0, "told": 0, "over": 0} for one in away}
    for one, matter in zip(away, matters, strict=True):
        counts, times = found[one.machine], _times(received, named, matter["id"]) if matter else Counter()
        counts["outages"] += 1
        for (_, what), count in times.items():
            counts["over" if what == OVER else "told"] += count
    return found


def _times(received: Received, named: Mapping[str, Mapping[str, Any]], matter: str) -> Counter[tuple[str, str]]:
    """How often a matter was told, by way and as what."""
    rows = ((way, named[id]) for way, ids in received.ids.items() for id in ids if id in named)
    return Counter((way, row["what"]) for way, row in rows if row["matter"] == matter)


def _not_told_and_over(matter: str, times: Mapping[tuple[str, str], int]) -> Iterator[str]:
    for way in WAYS:
        told = sum(count for (by, what), count in times.items() if by == way and what != OVER)
        over = times.get((way, OVER), 0)
        if (told, over) != (1, 1):
            yield f"{matter} was told {told} times by {way}, and over {over} times"
