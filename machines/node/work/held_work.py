"""What the node holds so that it can go on alone: credentials, work, and how its clock stands to the server's."""

from __future__ import annotations

import json
import sqlite3
from dataclasses import dataclass, replace
from datetime import timedelta
from functools import lru_cache
from typing import Any, TypeVar

from machines.model.calibration import UNCALIBRATED, Calibration
from machines.model.profile import Profile
from machines.node.clock.server_time import ServerTime
from machines.node.store import recovery_state
from machines.node.store.journal import State, change_state, read_state
from machines.node.sync.client import Credentials, Fetched
from machines.node.work.bursts import Held
from machines.protocol.messages import RunWork, SegmentWork, Work
from machines.serialization import format_instant, structure_from_newer, unstructure

T = TypeVar("T")

# Texts of the journal that are not read again while they stay the same: documents, and as many segments as a day has.
TEXTS_KEPT = 128


def _put(db: sqlite3.Connection, name: str, value: Any) -> None:
    db.execute("INSERT OR REPLACE INTO document (name, body) VALUES (?, ?)", (name, json.dumps(unstructure(value))))


def _get(db: sqlite3.Connection, name: str, cls: type[T]) -> T | None:
    row = db.execute("SELECT body FROM document WHERE name = ?", (name,)).fetchone()
    return None if row is None else _read(row[0], cls)  # type: ignore[arg-type]


@lru_cache(maxsize=TEXTS_KEPT)
def _read(body: str, cls: Any) -> Any:
    """What a text says. The same is asked for with every pass and every status, and nobody changes what it gives."""
    return structure_from_newer(json.loads(body), cls)


def keep_credentials(db: sqlite3.Connection, new: Credentials) -> None:
    """Keep what enrolment gave; what is held is asked for anew."""
    _put(db, "credentials", new)
    db.execute("DELETE FROM document WHERE name = 'etag'")


def credentials(db: sqlite3.Connection) -> Credentials | None:
    """What enrolment gave; None before it."""
    return _get(db, "credentials", Credentials)


@dataclass(frozen=True, kw_only=True)
class Pin:
    """What is kept of the panel's PIN: a slow hash and its salt, both in hexadecimal, and how many wrong guesses are
    not forgotten."""

    salt: str
    hash: str
    failures: int = 0


def keep_pin(db: sqlite3.Connection, kept: Pin) -> None:
    """Keep the PIN of the panel."""
    _put(db, "pin", kept)


def pin(db: sqlite3.Connection) -> Pin | None:
    """The PIN of the panel; None if none was set."""
    return _get(db, "pin", Pin)


def keep_time(db: sqlite3.Connection, boot: str, time: ServerTime) -> None:
    """Keep what this boot knows of the time, so that an agent that starts again while offline knows it, too."""
    _put(db, "boot", boot)
    _put(db, "server-time", time)


def kept_time(db: sqlite3.Connection, boot: str) -> ServerTime | None:
    """What was known in this boot. After another boot elapsed seconds count from elsewhere: None."""
    return _get(db, "server-time", ServerTime) if _get(db, "boot", str) == boot else None


def hold(db: sqlite3.Connection, fetched: Fetched) -> None:
    """Take over the server's word on what to hold.

    What is held of the run that is being printed stays until this journal has accounted for it, whatever a server
    offers or does not offer: one that was put back from an older copy may not know the run, or not all of its
    segments. A server that means to end a run will have to name it as withdrawn; none does so yet. A run that this
    journal has finished is not taken up again, either.
    """
    work, state = fetched.work, read_state(db)
    if _passed_over(db, work, state):
        db.execute("DELETE FROM document WHERE name = 'etag'")  # asked for in full again, as this answer was not taken
        return
    _put(db, "etag", fetched.etag)
    _put(db, "work", replace(work, segments=()))
    change_state(db, work_version=state.work_version + 1)
    run = "" if work.run is None else work.run.id
    numbers = {segment.number for segment in work.segments}
    # A burst may reach over the boundary from a segment that the head just left.
    left_behind = state.next_column - work.profile.columns_per_burst
    for of_run, number, end in db.execute("SELECT run, number, end_column FROM segment").fetchall():
        to_come = of_run == state.run == run and end > left_behind
        if of_run != run or (number not in numbers and not to_come):
            db.execute("DELETE FROM segment WHERE run = ? AND number = ?", (of_run, number))
    db.executemany(
        "INSERT OR REPLACE INTO segment (run, number, first_column, end_column, body) VALUES (?, ?, ?, ?, ?)",
        [(run, s.number, s.first_column, s.end_column, json.dumps(unstructure(s))) for s in work.segments],
    )


def _passed_over(db: sqlite3.Connection, work: Work, state: State) -> bool:
    """Whether an offer is not to be taken: it would take away the run that is being printed, or is of a run that this
    journal has finished."""
    now = work_held(db)
    if now is None or now.run is None or (work.run is not None and work.run.id == now.run.id):
        return False
    if state.run == now.run.id and state.next_column < now.run.end_column:
        return True
    if work.run is None:
        return False
    row = db.execute("SELECT next_column FROM left_run WHERE run = ?", (work.run.id,)).fetchone()
    return row is not None and bool(row[0] >= work.run.end_column)


def drop_work(db: sqlite3.Connection) -> None:
    """Nothing is held until the server says anew what."""
    db.execute("DELETE FROM document WHERE name IN ('etag', 'work')")
    db.execute("DELETE FROM segment")
    change_state(db, work_version=read_state(db).work_version + 1)


def work_held(db: sqlite3.Connection) -> Work | None:
    """The server's last word, without the segments; None before the first."""
    return _get(db, "work", Work)


def machine(db: sqlite3.Connection) -> tuple[Profile, Calibration] | None:
    """The machine as the server describes it and as it is measured; None before the first word."""
    work = work_held(db)
    if work is None:
        return None
    calibration = work.calibration or UNCALIBRATED
    return calibration.applied_to(work.profile), calibration


def etag_held(db: sqlite3.Connection) -> str | None:
    """The tag of what is held."""
    return _get(db, "etag", str)


def held(db: sqlite3.Connection) -> Held | None:
    """The run and its held segments; None without a run."""
    work = work_held(db)
    if work is None or work.run is None or work.policy is None:
        return None
    rows = db.execute("SELECT body FROM segment WHERE run = ? ORDER BY first_column", (work.run.id,)).fetchall()
    shift_s = _shift_s(db, work.run)
    segments = tuple(_shifted(_read(body, SegmentWork), shift_s) for (body,) in rows)
    calibration = work.calibration or UNCALIBRATED
    return Held(
        run=work.run,
        policy=work.policy,
        profile=calibration.applied_to(work.profile),
        segments=segments,
        calibration=calibration,
        shift_s=shift_s,
        override=work.override,
        closed=work.closed,
    )


def _shift_s(db: sqlite3.Connection, run: RunWork) -> float:
    """How long the timeline of a run has waited: as this journal knows, or the server from a board before it."""
    own = recovery_state.read(db).shift_s if read_state(db).run == run.id else 0.0
    return max(own, run.shift_s)


def _shifted(segment: SegmentWork, shift_s: float) -> SegmentWork:
    wait = timedelta(seconds=shift_s)
    return replace(segment, knots=tuple(knot + wait for knot in segment.knots)) if wait else segment


def plates_needed(db: sqlite3.Connection) -> set[str]:
    """Digests of the plates that the held segments and the server's last word name."""
    work = work_held(db)
    bodies = db.execute("SELECT body FROM segment").fetchall()
    return {json.loads(body)["plate"] for (body,) in bodies} | set(work.plates if work else ())


def held_until(db: sqlite3.Connection) -> str | None:
    """RFC 3339 instant at which the last held segment ends, by the run's timeline as it is now; None without work."""
    work = work_held(db)
    row = db.execute("SELECT body FROM segment ORDER BY first_column DESC LIMIT 1").fetchone()
    if row is None or work is None or work.run is None:
        return None
    last = _shifted(_read(row[0], SegmentWork), _shift_s(db, work.run))
    return format_instant(last.knots[-1])
