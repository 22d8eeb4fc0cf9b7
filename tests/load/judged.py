"""Whether anything was lost or late: what boards' journals say was taken, against the server's log."""

from __future__ import annotations

import json
import sqlite3
from collections import Counter
from collections.abc import Iterable, Mapping
from contextlib import closing
from dataclasses import dataclass
from pathlib import Path
from typing import Any, get_args

from machines.node.store.journal import FILE_NAME
from machines.protocol.journal_entries import Entry
from machines.serialization import parse_instant
from tests.load.figures import Figures, percentile

KINDS = frozenset(kind.kind for kind in get_args(Entry))
# The clock's seconds: an entry waits for one pass, which comes each minute, and for one more if that failed.
MOST_UNTOLD_S = 150.0
# Real seconds between a burst's instant and the burst: as the boards here share two cores with their server.
MOST_MISSED_S = 15.0
# Of polls, of those that take longest but for one in a hundred, seconds.
MOST_POLL_S = 1.0
# Boards hold a week of work; what is left of it at the end, hours.
LEAST_HELD_H = 24.0
# Of the polls that a board makes in so long a time by what the server first tells it, each a minute.
LEAST_POLLS = 0.5
POLL_AFTER_S = 60.0

# Machine, number, kind and POSIX seconds of an entry.
Told = tuple[str, int, str, float]


@dataclass(frozen=True)
class Journals:
    """What all boards wrote down.

    Attributes:
        taken: entries that the server said it has.
        untold_since: when the others were written, POSIX seconds.
        held_until: until when each board holds work, POSIX seconds; 0 for none.
    """

    taken: tuple[Told, ...]
    untold_since: tuple[float, ...]
    held_until: Mapping[str, float]


def journals(folders: Iterable[Path]) -> Journals:
    """Of the boards, whose folders have the machines' names."""
    taken: list[Told] = []
    untold: list[float] = []
    held: dict[str, float] = {}
    for folder in folders:
        with closing(sqlite3.connect(folder / FILE_NAME)) as db:
            for seq, body, accepted in db.execute("SELECT seq, body, accepted FROM entry"):
                entry = json.loads(body)
                at = parse_instant(entry["at"]).timestamp()
                if accepted:
                    taken.append((folder.name, seq, entry["kind"], at))
                else:
                    untold.append(at)
            held[folder.name] = _held_until(db)
    return Journals(tuple(taken), tuple(untold), held)


def _held_until(db: sqlite3.Connection) -> float:
    from machines.node.work import held_work

    until = held_work.held_until(db)
    return 0.0 if until is None else parse_instant(until).timestamp()


def logged(events: Iterable[Mapping[str, Any]]) -> list[Told]:
    """The entries of machines among the events of the log, as the API tells them."""
    return [
        (
            event["stream"].removeprefix("machine/"),
            event["data"]["seq"],
            event["kind"],
            parse_instant(event["happened_at"]).timestamp(),
        )
        for event in events
        if event["kind"] in KINDS
    ]


def lost(taken: Iterable[Told], log: Iterable[Told]) -> list[str]:
    """In words, each entry that was taken and is not in the log just once as it was told."""
    times = Counter(log)
    return [
        f"{machine}'s entry {seq}, {kind}, is in the log {times[machine, seq, kind, at]} times"
        for machine, seq, kind, at in taken
        if times[machine, seq, kind, at] != 1
    ]


@dataclass(frozen=True)
class Ran:
    """How it went.

    Attributes:
        nodes: how many boards.
        lasted_s: by the clock, since all had begun.
        ended_at: POSIX seconds, by the clock.
        rate: of the clock.
    """

    nodes: int
    lasted_s: float
    ended_at: float
    rate: float


def broken(ran: Ran, figures: Figures, written: Journals, log: Iterable[Told]) -> list[str]:
    """What was promised and does not hold, in words; nothing where all is well."""
    said = lost(written.taken, log)
    said += [f"{count} times {what}" for what, count in figures.failed.items()]
    said += [f"a board broke off: {error.strip().splitlines()[-1]}" for error in figures.errors]
    said += _late(ran, figures, written)
    polls = figures.took_s.get("poll", [])
    least = int(ran.nodes * ran.lasted_s / POLL_AFTER_S * LEAST_POLLS)
    if len(polls) < least:
        said.append(f"{len(polls)} polls came to an answer, and {least} at least are due")
    if (slow_s := percentile(polls, 99)) >= MOST_POLL_S:
        said.append(f"one poll in a hundred took {slow_s:.2f} s or longer, and {MOST_POLL_S:g} s are allowed")
    return said


def _late(ran: Ran, figures: Figures, written: Journals) -> list[str]:
    untold_s = [ran.ended_at - at for at in written.untold_since]
    found = {
        f"entries were told more than {MOST_UNTOLD_S:g} s late": _above(figures.told_after_s, MOST_UNTOLD_S),
        f"entries were not told within {MOST_UNTOLD_S:g} s": _above(untold_s, MOST_UNTOLD_S),
        f"stretches were laid more than {MOST_MISSED_S:g} s off": _above(
            [abs(missed_s) / ran.rate for missed_s in figures.missed_s], MOST_MISSED_S
        ),
        "gaps had to be settled": figures.settled,
        f"boards hold less than {LEAST_HELD_H:g} h of work": sum(
            until < ran.ended_at + LEAST_HELD_H * 3600.0 for until in written.held_until.values()
        ),
        "boards are missing": ran.nodes - len(written.held_until),
    }
    return [f"{count} {what}" for what, count in found.items() if count]


def _above(values: Iterable[float], limit: float) -> int:
    return sum(value > limit for value in values)
