"""What was learned of the board's crystal, kept for the boots to come.

A rate that was proved while the board was on is taken to hold in another boot to within 5 ppm more: 3 for another
season's warmth, as a crystal changes by 0.1 to 0.2 ppm a kelvin, and 2 for its ageing (from memory). It is assumed, and
given up as soon as samples contradict it. It belongs to one count on one board, which
`machines.node.clock.system_clocks` names.
"""

from __future__ import annotations

import json
import sqlite3
from dataclasses import dataclass

from machines.node.clock.drift import Crystal, Rate
from machines.serialization import structure_lenient, unstructure

BETWEEN_BOOTS = 5e-6
# A rate that is kept gives way to one that is about as narrow and newer.
ABOUT_AS_NARROW = 1.25


@dataclass(frozen=True, kw_only=True)
class KnownRate:
    """A rate that was proved in one boot.

    Attributes:
        counter: names the board and its count.
        rate: what was proved.
    """

    counter: str
    rate: Rate


def keep(db: sqlite3.Connection, counter: str, crystal: Crystal) -> None:
    """Keep what this boot has proved of the rate, if that is worth more than what is kept. A count without a name may
    run otherwise in the next boot: nothing is kept of it."""
    kept = _read(db)
    newly_proved = crystal.rate.error < crystal.before.error
    if not counter or not newly_proved:
        return
    still_true = kept is not None and kept.counter == counter and crystal.known is not None
    if still_true and kept is not None and crystal.rate.error > ABOUT_AS_NARROW * kept.rate.error:
        return
    body = json.dumps(unstructure(KnownRate(counter=counter, rate=crystal.rate)))
    db.execute("INSERT OR REPLACE INTO document (name, body) VALUES ('crystal-rate', ?)", (body,))


def known(db: sqlite3.Connection, counter: str) -> Rate | None:
    """What an earlier boot lets assume of the rate in this one; None for nothing."""
    kept = _read(db)
    if kept is None or not counter or kept.counter != counter:
        return None
    return Rate(mean=kept.rate.mean, error=kept.rate.error + BETWEEN_BOOTS)


def _read(db: sqlite3.Connection) -> KnownRate | None:
    row = db.execute("SELECT body FROM document WHERE name = 'crystal-rate'").fetchone()
    return None if row is None else structure_lenient(json.loads(row[0]), KnownRate)
