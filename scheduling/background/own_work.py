"""Whether the server does what it does by itself: plans ahead, watches, tells people.

Whoever does it keeps when it went well; whoever shows a page, or is asked whether the server is well, looks at that. So
it is seen also where all that works by itself is gone, as when nobody started it after an update.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from datetime import datetime, timedelta

from scheduling.log.models import OwnWork


@dataclass(frozen=True)
class LateWork:
    """Work that is not done, or does not go well.

    Attributes:
        name: of the work.
        since: when it last went well, or was first expected, UTC.
    """

    name: str
    since: datetime


def late_work(allowed: Mapping[str, timedelta], now: datetime) -> tuple[LateWork, ...]:
    """What is late, in the order in which it is allowed for.

    A server that begins expects all of it anew, and says nothing of the time while it was off.

    Args:
        allowed: how long may pass from one time to the next, by the name of the work.
        now: this instant, UTC.
    """
    rows = {row.name: row for row in OwnWork.objects.filter(name__in=allowed)}
    found = []
    for name, pause in allowed.items():
        row = rows.get(name)
        if row is not None and now - max(row.expected_since, row.done_at or row.expected_since) > pause:
            found.append(LateWork(name, row.done_at or row.expected_since))
    return tuple(found)
