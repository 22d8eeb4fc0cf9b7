"""Clocks of the board's own that go on while it is off, or are set by others than the server.

Each is compared with the server's time whenever that is heard, and what it was off by is kept. After a start at which
the server is not heard, the board goes by the clock that can be least wrong:

    server's time = its own clock + what that was off by,   to within   how well both were known then
                                                                      + how well it can be read now
                                                                      + its drift, for as long as that is ago

It is not believed where it shows less than when it was compared: then its battery was empty, or it was restored. A
clock that is set in between by somebody is wrong by that until it is compared again.
"""

from __future__ import annotations

import json
import sqlite3
from collections.abc import Callable, Iterable
from dataclasses import dataclass

from machines.clock import utc
from machines.node.clock.server_time import Estimate, HandTime
from machines.serialization import format_instant, structure_lenient, unstructure


@dataclass(frozen=True, kw_only=True)
class OwnClock:
    """A clock of the board.

    Attributes:
        name: what it is, in words.
        read: what it shows, UTC, POSIX seconds, and by how much it may be wrong, seconds; None where it cannot be
            believed now.
        drift: bound on its rate, parts.
    """

    name: str
    read: Callable[[], tuple[float, float] | None]
    drift: float


@dataclass(frozen=True, kw_only=True)
class Compared:
    """How a clock stood to the server's time.

    Attributes:
        name: of the clock.
        behind_s: what is to be added to it, seconds.
        error_s: bound on the error of that, seconds.
        at: by the server, POSIX seconds.
    """

    name: str
    behind_s: float
    error_s: float
    at: float

    def in_words(self) -> str:
        """For a person."""
        how = "behind" if self.behind_s >= 0 else "ahead of"
        return f"{self.name} {abs(self.behind_s):.1f} s {how} the server on {format_instant(utc(self.at))}"


def compare(db: sqlite3.Connection, clocks: Iterable[OwnClock], server: Estimate) -> None:
    """Keep how each clock that can be read stands to the server's time now."""
    kept = {one.name: one for one in compared(db)}
    for clock in clocks:
        shown = clock.read()
        if shown is not None:
            kept[clock.name] = Compared(
                name=clock.name,
                behind_s=server.now - shown[0],
                error_s=server.error_s + shown[1],
                at=server.now,
            )
    body = json.dumps(unstructure(tuple(kept.values())))
    db.execute("INSERT OR REPLACE INTO document (name, body) VALUES ('own-clocks', ?)", (body,))


def compared(db: sqlite3.Connection) -> tuple[Compared, ...]:
    """How the clocks stood when they were last compared."""
    row = db.execute("SELECT body FROM document WHERE name = 'own-clocks'").fetchone()
    return () if row is None else structure_lenient(json.loads(row[0]), tuple[Compared, ...])


def best(clocks: Iterable[OwnClock], kept: Iterable[Compared], elapsed_s: float) -> HandTime | None:
    """What the clock says that can be least wrong at this elapsed second; None if none can be believed."""
    stood = {one.name: one for one in kept}
    words = (_word(clock, stood[clock.name], elapsed_s) for clock in clocks if clock.name in stood)
    return min((word for word in words if word is not None), key=lambda word: word.error_s, default=None)


def _word(clock: OwnClock, stood: Compared, elapsed_s: float) -> HandTime | None:
    shown = clock.read()
    if shown is None:
        return None
    now = shown[0] + stood.behind_s
    since_s, error_s = now - stood.at, stood.error_s + shown[1]
    if since_s < -error_s:
        return None
    return HandTime(offset_s=now - elapsed_s, error_s=error_s + clock.drift * abs(since_s), set_at_s=elapsed_s)
