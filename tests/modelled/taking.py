"""Taking a node's reports into a model of the server: each entry once, as `scheduling.nodes.reports` does."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import replace
from datetime import datetime, timedelta
from typing import Any

from machines.protocol.journal_entries import ColumnsPrinted, Entry, GapSettled
from machines.protocol.messages import JournalPosition, pace
from machines.recovery import settle
from machines.serialization import parse_instant
from scheduling.nodes.received_entries import Batch, ToldEntry
from tests.modelled import words
from tests.modelled.folded import fold
from tests.modelled.known import Known

# A node whose time is surer than it is, and a message that took long, seconds.
SLACK_S, MOST_ERROR_S = 60.0, 86400.0


class Refusal(Exception):
    """An answer of status 409, by the last part of its type, and what stands beside."""

    def __init__(self, slug: str, **members: int) -> None:
        super().__init__(slug)
        self.slug, self.members = slug, members


def take(known: Known, batch: Batch, now: datetime) -> int:
    """Write down what is new in a batch.

    Returns:
        the number up to which everything is taken.

    Raises:
        Refusal: the board was replaced, entries are missing, or one was another one.
    """
    if batch.epoch != known.epoch:
        raise Refusal("stale-epoch", epoch=batch.epoch, current=known.epoch)
    had = known.accepted_through
    for told in batch.entries:
        if told.seq <= had and known.taken[told.seq - 1] != told.meant:
            raise Refusal("journal-differs", seq=told.seq)
    new = [told for told in batch.entries if told.seq > had]
    for expected, told in enumerate(new, had + 1):
        if told.seq != expected:
            raise Refusal("missing-entries", expected=expected)
    if new:
        _write(known, batch, new, now)
    return known.accepted_through


def _write(known: Known, batch: Batch, new: list[ToldEntry], now: datetime) -> None:
    """As a batch of the server's: all is looked at before any of it is folded."""
    error_s = batch.status.clock_error_s if batch.status is not None else None
    ahead_s = SLACK_S + min(max(error_s or 0.0, 0.0), MOST_ERROR_S)
    counted = [(told, *_counts(known, told, now, ahead_s)) for told in new]
    by_run: dict[str, list[Entry]] = {}
    for _, entry, counts in counted:
        if counts:
            by_run.setdefault(getattr(entry, "run", ""), []).append(entry)
    over = list(words.passed_over(known, by_run))
    for told, entry, counts in counted:
        known.taken.append(told.meant)
        if counts:
            known.write(entry.kind, **told.raw)
            fold(known, entry)
        else:
            known.write("entry-told-twice", entry=dict(told.raw))
        if isinstance(entry, GapSettled) and counts:
            _compare(known, entry)
    for word in over:
        word.passed_over = True
        known.write("word-passed-over", override=word.said.id)
    known.changes += 1


def _counts(known: Known, told: ToldEntry, now: datetime, ahead_s: float) -> tuple[Entry, bool]:
    """An entry as it is taken, and whether it counts: what was told before, of the same place, does not."""
    entry = told.entry
    assert entry is not None, "a node of today is understood"
    run = known.runs.get(getattr(entry, "run", ""))
    if run is not None:
        ahead_s += known.profile.clock_tolerance_dots * run.work.mean_turn_s / known.profile.columns_per_turn
    if isinstance(entry, ColumnsPrinted) and known.epoch > 1 and _is_told(known, entry):
        return entry, False
    is_timely = entry.at <= now + timedelta(seconds=ahead_s)
    return entry if is_timely else replace(entry, at=now), True


def _is_told(known: Known, entry: ColumnsPrinted) -> bool:
    """Whether each of its columns was told, in however many pieces."""
    offset, left = entry.paper_position - entry.columns.first, entry.columns.first
    told = [(first, end) for run, first, end, place in known.stretches if (run, place - first) == (entry.run, offset)]
    for first, end in sorted(told):
        left = end if first <= left < end else left
    return left >= entry.columns.end


def _compare(known: Known, entry: GapSettled) -> None:
    """The server settles the gap itself, but for a word that nobody gave here."""
    run, gap = known.runs.get(entry.run), entry.gap
    if run is None:
        return
    given = any(word.said == gap.override and word.run == entry.run for word in known.words)
    gap = gap if gap.override is None or given else replace(gap, override=None)
    if settle(run.policy, gap, pace(known.profile, run.work)) != entry.decision:
        known.write("settlement-differed", seq=entry.seq, run=entry.run)


def earlier(known: Known) -> tuple[JournalPosition, ...]:
    """How much is there of the journals of earlier boards, the newest first."""
    return tuple(_by_epoch(known))[::-1]


def _by_epoch(known: Known) -> Iterator[JournalPosition]:
    epoch, last = 0, None
    for fact in [*known.facts, {"kind": "node-enrolled", "data": {"epoch": 0}}]:
        if fact["kind"] == "node-enrolled":
            if last is not None:
                yield JournalPosition(epoch=epoch, through=last["seq"], at=parse_instant(last["at"]))
            epoch, last = fact["data"]["epoch"], None
        elif (entry := _entry_of(fact)) is not None:
            last = entry


def _entry_of(fact: dict[str, Any]) -> dict[str, Any] | None:
    if fact["kind"] == "entry-told-twice":
        return dict(fact["data"]["entry"])
    return fact["data"] if fact["data"].get("kind") == fact["kind"] else None
