"""What of all that is amiss is one matter to people: they are told of it once, and once when it is over.

All that keeps one machine from printing has one cause, whatever it is called meanwhile. Machines of a venue that fall
silent together have one, too, as when the house has no network. What comes and goes within `SETTLED` is nothing to be
told: a matter is told when it has stood so long, and is over when nothing of it was found for so long.
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
# A matter that becomes one of these is told anew: it asks for something else than what was told.
TOLD_ANEW: tuple[AmissKind, ...] = ("stands",)
# Cannot wait for the morning: paper that should be printed is not, or nothing can be seen.
PRESSING: frozenset[AmissKind] = frozenset(
    {"never-heard", "ended", "silence", "stands", "refused", "views", "disk"}
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
    of_known = {key: matter.id for matter in known for key in matter.parts}
    after = [_seen(matter, found, looked.of_machines, now) for matter in known]
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
    parts = {key: found.get(key, part) for key, part in matter.parts.items()}
    there = [parts[key] for key in parts if key in found]
    if not there:
        gone_at = matter.gone_at or now
        return replace(matter, gone_at=gone_at, over_at=now if now - gone_at >= SETTLED else None)
    seen = replace(matter, parts=parts, gone_at=None)
    kind = next((one.kind for one in there if one.kind in TOLD_ANEW and one.kind != matter.kind), None)
    if kind is None:
        return seen
    return replace(seen, kind=kind, told_from=max(now, matter.told_from), acknowledged_at=None)
