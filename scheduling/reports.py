"""Taking a node's reports: each entry once, however often it is sent."""

from __future__ import annotations

from dataclasses import replace

from django.db import DEFAULT_DB_ALIAS

from machines.entries import Entry, GapSettled
from machines.recovery import Decision, Gap, settle
from machines.wire import Reports, pace
from scheduling.log.events import Event, SettlementDiffered
from scheduling.log.models import Machine, Run
from scheduling.log.store import Append, Attribution, append, stream_version
from scheduling.log.tables import table
from scheduling.override import was_given
from scheduling.races import until_won
from scheduling.selectors import run_policy, run_profile, run_work
from scheduling.taken import entries_taken


class StaleEpoch(Exception):
    """The node was replaced: another board holds a later epoch and this one must not print on."""

    def __init__(self, epoch: int, current: int) -> None:
        super().__init__(f"epoch {epoch} was replaced by {current}; stop printing, and enrol again to take over")
        self.epoch = epoch
        self.current = current


class MissingEntries(Exception):
    """Entries before these are missing; the node must send from the expected number on."""

    def __init__(self, expected: int, got: int) -> None:
        super().__init__(f"entry {got} came where {expected} was expected; send again from {expected}")
        self.expected = expected
        self.got = got


class JournalDiffers(Exception):
    """Another entry was taken under this number: two boards write as one, or a journal was put back from an older copy.

    Either way this journal does not tell what lies on the machine's paper.
    """

    def __init__(self, seq: int) -> None:
        super().__init__(
            f"entry {seq} was told before, and it was another one: this board's journal is a copy of another board's,"
            " or was put back from an older copy. Stop this board. If it is the one beside the machine, enrol it again"
            " with a new code; what may be on the paper it then takes from the machine, or from the time"
        )
        self.seq = seq


def take(machine: str, reports: Reports, by: Attribution) -> int:
    """Write down what is new in a batch and return the sequence number up to which everything is taken.

    A lost race means that another request of the same machine was taken in between: the batch is looked at again,
    and what that request brought is passed over this time.

    Raises:
        StaleEpoch: the node was replaced.
        MissingEntries: the batch begins too late, or has a hole.
        JournalDiffers: an entry that was taken before was another one.
        LostRace: again and again; the node sends it once more.
    """
    return until_won(lambda: _take_once(machine, reports, by))


def _take_once(machine: str, reports: Reports, by: Attribution) -> int:
    stream = f"machine/{machine}"
    version = stream_version(stream)
    row: Machine | None = table(Machine, DEFAULT_DB_ALIAS).find(machine)  # every report asks, so in ready-made SQL
    if row is None:
        raise Machine.DoesNotExist(machine)
    if reports.epoch != row.epoch:
        raise StaleEpoch(reports.epoch, row.epoch)
    _require_same(machine, reports, row.accepted_through)
    new = [entry for entry in reports.entries if entry.seq > row.accepted_through]
    for expected, entry in enumerate(new, row.accepted_through + 1):
        if entry.seq != expected:
            raise MissingEntries(expected, entry.seq)
    if new:
        append([Append(stream, version, [event for entry in new for event in _checked(entry)])], by)
    return row.accepted_through + len(new)


def _require_same(machine: str, reports: Reports, accepted_through: int) -> None:
    """Entries that were taken before are sent again where an answer was lost, and are then the same to the last word.
    A copied board writes on under the numbers of its original, so whichever comes second is found out here."""
    again = [entry for entry in reports.entries if entry.seq <= accepted_through]
    if not again:
        return
    taken = entries_taken(machine, again[0].seq, again[-1].seq + 1, accepted_through)
    for entry in again:
        if taken.get(entry.seq, entry) != entry:
            raise JournalDiffers(entry.seq)


def _checked(entry: Entry) -> list[Event]:
    """An entry, and after a settlement that we would not have made the word that it differs."""
    if not isinstance(entry, GapSettled):
        return [entry]
    run = Run.objects.filter(id=entry.run).first()
    if run is None:  # a fact all the same; the machine's page shows it as what it is
        return [entry]
    ours = settle(run_policy(run), _as_known_here(entry), pace(run_profile(run), run_work(run)))
    if _as_far_as_told(ours, entry.decision) == entry.decision:
        return [entry]
    return [entry, SettlementDiffered(run=run.id, seq=entry.seq, ours=ours)]


def _as_far_as_told(ours: Decision, theirs: Decision) -> Decision:
    """Our decision without the costs that the node did not tell, as one of an older version does not."""
    return replace(
        ours,
        paper_mm=None if theirs.paper_mm is None else ours.paper_mm,
        ink_ml=None if theirs.ink_ml is None else ours.ink_ml,
    )


def _as_known_here(entry: GapSettled) -> Gap:
    """The node's facts, without a person's word that nobody gave here for this run."""
    given = entry.gap.override
    if given is None or was_given(given, entry.run):
        return entry.gap
    return replace(entry.gap, override=None)
