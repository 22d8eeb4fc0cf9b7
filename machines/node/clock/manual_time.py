"""A person sets the time at a board that knows no other: no battery keeps its clock, and the server is out of reach.

What was said is written with the board's count of elapsed seconds at that moment, so that it is taken up exactly
whenever the agent comes to it. It means nothing in another boot.
"""

from __future__ import annotations

import json
import sqlite3
from datetime import datetime, timedelta
from zoneinfo import ZoneInfo, ZoneInfoNotFoundError

from machines.errors import InputError
from machines.node.clock.server_time import Estimate, HandTime
from machines.node.store.journal import change_state
from machines.operator.language import _, marked
from machines.serialization import structure_lenient, unstructure

LEAST_ERROR_S, USUAL_ERROR_S, MOST_ERROR_S = 1.0, 60.0, 3600.0
_REMEDY = marked("give such as 2026-11-02T14:03:00")


def instant_of(local: str, zone: str) -> float:
    """The instant of a civil time in an IANA zone, POSIX seconds.

    Raises:
        InputError: no such time or zone; or it does not come, or comes twice, because the clocks change.
    """
    try:
        civil, place = datetime.fromisoformat(local), ZoneInfo(zone)
    except (ZoneInfoNotFoundError, OSError) as error:
        raise InputError(
            "zone", _("{zone} is no zone known here").format(zone=repr(zone)), _("give an IANA name, or UTC")
        ) from error
    except ValueError as error:
        raise InputError("time", _("{time} is no date and time").format(time=repr(local)), _(_REMEDY)) from error
    if civil.tzinfo is not None:
        said = _("{time} has an offset of its own").format(time=repr(local))
        raise InputError("time", said, _("give such as 2026-11-02T14:03:00, and the zone beside it"))
    first, second = civil.replace(tzinfo=place), civil.replace(tzinfo=place, fold=1)
    if first.utcoffset() != second.utcoffset():
        is_twice = (first.utcoffset() or _NONE) > (second.utcoffset() or _NONE)
        twice = _("{time} comes twice in {zone}, as the clocks change")
        said = twice if is_twice else _("{time} does not come in {zone}, as the clocks change")
        raise InputError("time", said.format(time=local, zone=zone), _("give it in UTC"))
    return first.timestamp()


_NONE = timedelta(0)


def why_not(estimate: Estimate | None) -> str:
    """Why nobody needs to set the time; empty if somebody may."""
    if estimate is None or estimate.doubted or estimate.by_hand or estimate.by_board:
        return ""
    return _("the server has told the time since the board started")


def say(db: sqlite3.Connection, boot: str, elapsed_s: float, instant: float, error_s: float) -> None:
    """Leave word for the agent: at this elapsed second of this boot it is that instant, POSIX seconds.

    Raises:
        InputError: nobody can be so sure, or nothing can be printed by it.
    """
    if not LEAST_ERROR_S <= error_s <= MOST_ERROR_S:
        raise InputError(
            "error",
            f"{error_s:g} s",
            _("give {least} to {most} s").format(least=f"{LEAST_ERROR_S:g}", most=f"{MOST_ERROR_S:g}"),
        )
    word = HandTime(offset_s=instant - elapsed_s, error_s=error_s, set_at_s=elapsed_s)
    body = json.dumps({"boot": boot, "word": unstructure(word)})
    db.execute("INSERT OR REPLACE INTO document (name, body) VALUES ('set-time', ?)", (body,))
    db.execute("INSERT INTO action (name, error_s) VALUES ('set-time', ?)", (error_s,))
    change_state(db, time_said=1)


def take(db: sqlite3.Connection, boot: str) -> HandTime | None:
    """What was said and not taken up yet; None if nothing was in this boot."""
    row = db.execute("SELECT body FROM document WHERE name = 'set-time'").fetchone()
    if row is None:
        return None
    db.execute("DELETE FROM document WHERE name = 'set-time'")
    change_state(db, time_said=0)
    said = json.loads(row[0])
    return structure_lenient(said["word"], HandTime) if said["boot"] == boot else None
