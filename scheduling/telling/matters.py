"""What of all that is amiss is one matter to people: they are told of it once, and once when it is over.

All that keeps one machine from printing has one cause, whatever it is called meanwhile. Machines of a venue that fall
silent together have one, too, as when the house has no network; who is heard again parts from the others. What comes
and goes within `SETTLED` is nothing to be told: a matter is told when it has stood so long, and is over when nothing of
it was found for so long.
"""

from __future__ import annotations

import re
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from datetime import datetime, timedelta

from scheduling.telling.amiss import OF_SERVER, Amiss, AmissKind, Looked

# How long it is waited before a matter is told, or said to be over. Boards ask once a minute.
SETTLED = timedelta(minutes=2)
# How far apart machines of a venue may have been heard last that fall silent by one cause.
ONE_CAUSE = timedelta(minutes=5)
# Cannot wait for the morning: paper that should be printed is not, or nothing can be seen.
PRESSING: frozenset[AmissKind] = frozenset(
    {"never-heard", "ended", "silence", "stands", "refused", "views", "disk", "work"}
)  # fmt: skip
NOT_IN_IDS = re.compile(r"[^a-z0-9]")
LONGEST_KEY = 100


@dataclass(frozen=True, kw_only=True)
class Matter:
    """What people are told of as one.

    Attributes:
        id: by which it is named.
        kind: as which it is told.
        parts: what it is of, as last seen, by key.
        began_at: UTC; of the first of its parts.
        told_from: from when on people are told of it, UTC.
        gone_at: since when nothing of it is found, UTC; None while something is.
        over_at: when that was long enough, UTC; None before.
        acknowledged_at: when somebody said that they see to it, UTC; None while nobody did.
    """

    id: str
    kind: AmissKind
    parts: Mapping[str, Amiss]
    began_at: datetime
    told_from: datetime
    gone_at: datetime | None = None
    over_at: datetime | None = None
    acknowledged_at: datetime | None = None

    @property
    def venue(self) -> str | None:
        """Where it is; None where it is the server itself."""
        return next(iter(self.parts.values())).venue

    @property
    def is_pressing(self) -> bool:
        """Whether it cannot wait for the morning."""
        return self.kind in PRESSING


def matters_now(known: Sequence[Matter], looked: Looked, now: datetime) -> tuple[Matter, ...]:
    """The matters after a look, those that are over by it among them.

    Args:
        known: those that are not over.
        looked: what was found.
        now: this instant, UTC.
    """
    found = {one.key: one for one in looked.amiss}
    after = [_seen(matter, found, looked.of_machines, now) for matter in known]
    of_known = {key for matter in after if not _has_parted(matter) for key in matter.parts}
    fresh = sorted((one for key, one in found.items() if key not in of_known), key=lambda one: (one.since, one.key))
    for one in fresh:
        at = next((place for place, matter in enumerate(after) if _is_of(one, matter)), None)
        if at is None:
            after.append(_new(one, now))
        else:
            after[at] = replace(after[at], parts={**after[at].parts, one.key: one}, gone_at=None)
    return tuple(after)


def _new(one: Amiss, now: datetime) -> Matter:
    return Matter(
        id=f"{NOT_IN_IDS.sub('-', one.key)[:LONGEST_KEY]}-{now:%Y%m%dt%H%M%S}",
        kind=one.kind,
        parts={one.key: one},
        began_at=one.since,
        told_from=now + SETTLED,
    )


def _is_of(one: Amiss, matter: Matter) -> bool:
    """Whether something that was not there before has the cause of a matter."""
    together = one.kind == matter.kind == "silence" and one.venue == matter.venue
    return together and matter.over_at is None and abs(one.since - matter.began_at) <= ONE_CAUSE


def _seen(matter: Matter, found: Mapping[str, Amiss], of_machines: bool, now: datetime) -> Matter:
    """A matter after a look; of one that could not be looked at nothing is known."""
    if not of_machines and matter.kind not in OF_SERVER:
        return matter
    there = {key: found[key] for key in matter.parts if key in found}
    if len(matter.parts) > 1:
        there = {key: one for key, one in there.items() if one.kind == matter.kind}
    if not there:  # its parts stay, for its title
        gone_at = matter.gone_at or now
        return replace(matter, gone_at=gone_at, over_at=now if now - gone_at >= SETTLED else None)
    seen = replace(matter, parts=there, gone_at=None)
    kind = next((one.kind for key, one in there.items() if _asks_anew(one, matter.parts[key], matter)), None)
    if kind is None:
        return seen
    return replace(seen, kind=kind, told_from=max(now, matter.told_from), acknowledged_at=None)


def _has_parted(matter: Matter) -> bool:
    """Whether it was of several that are all gone or another thing by now: what becomes of each is its own."""
    return len(matter.parts) > 1 and matter.gone_at is not None


def _asks_anew(one: Amiss, before: Amiss, matter: Matter) -> bool:
    """Whether a part cannot wait, and asks for something else than it did a look ago and than what was told. A machine
    that stands again is told of each time: whoever saw to it may have left."""
    is_another = one.kind != before.kind and (one.kind == "stands" or one.kind != matter.kind)
    return is_another and one.kind in PRESSING
