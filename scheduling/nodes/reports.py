"""Taking a node's reports: each entry once, however often it is sent, and only what its machine can tell."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import replace

from django.db import DEFAULT_DB_ALIAS

from machines.errors import DayrollError, InputError
from machines.protocol.journal_entries import ColumnsPrinted, Entry, GapSettled
from scheduling.log.events import Event
from scheduling.log.events.reports import (
    EntryReadInPart,
    EntrySetAside,
    EntryToldTwice,
    PrintedThoughWithdrawn,
    ReportsRefused,
    ReportsTakenAgain,
)
from scheduling.log.models import NO_RUN, Machine, Run
from scheduling.log.projecting.projector import broken_views, require_views
from scheduling.log.retry import retry_on_conflict
from scheduling.log.rows.row_sql import table
from scheduling.log.store import Append, Attribution, append, stream_end, stream_version
from scheduling.nodes.earlier_plans import of_earlier_plan, was_here
from scheduling.nodes.entry_bounds import DoesNotFit, require_possible, timely
from scheduling.nodes.forgotten import not_told_yet, retold, run_not_known
from scheduling.nodes.journal_history import entries_taken
from scheduling.nodes.known_runs import Known, known_of
from scheduling.nodes.received_entries import Batch, EntryDoubt, ToldEntry
from scheduling.nodes.settlement_check import differing
from scheduling.nodes.told_twice import told_twice
from scheduling.outages.words_passed_over import words_passed_over

LONGEST_SAID = 300


class StaleEpoch(DayrollError):
    """The node was replaced: another board holds a later epoch and this one must not print on."""

    def __init__(self, epoch: int, current: int) -> None:
        problem = f"epoch {epoch} was replaced by {current}"
        if epoch > current:
            problem = f"epoch {epoch} is not known here, where {current} is the newest: an older copy was put back"
        super().__init__(problem, "stop printing, and enrol again to take over")
        self.epoch = epoch
        self.current = current


class Revoked(StaleEpoch):
    """The studio wants nothing more from this board, and no other has taken over yet."""

    def __init__(self, epoch: int) -> None:
        super().__init__(epoch, epoch + 1)  # by an epoch that is past, every node knows that it is fenced off
        self.problem = "the studio has revoked this board"
        self.remedy = "stop printing, and enrol it with a new code to take over"


class MissingEntries(DayrollError):
    """Entries before these are missing; the node must send from the expected number on."""

    def __init__(self, expected: int, got: int) -> None:
        super().__init__(f"entry {got} came where {expected} was expected", f"send again from {expected}")
        self.expected = expected
        self.got = got


class EntryDiffers(DayrollError):
    """Another entry was taken under this number: two boards write as one, or a journal was put back from an older copy.

    Either way this journal does not tell what lies on the machine's paper.
    """

    def __init__(self, seq: int) -> None:
        super().__init__(
            f"entry {seq} was told before, and it was another one: this board's journal is a copy of another board's,"
            " was put back from an older copy, or has lost what it wrote last",
            "Stop this board. If it is the one beside the machine, enrol it again with a new code; what may be on the"
            " paper it then takes from the machine, or from the time",
        )
        self.seq = seq

    @property
    def said(self) -> str:
        """Both; the remedy is sentences of its own."""
        return f"{self.problem}. {self.remedy}"


def take(machine: str, batch: Batch, by: Attribution) -> int:
    """Write down what is new in a batch and return the sequence number up to which everything is taken.

    A lost race means that another request of the same machine was taken in between: the batch is looked at again,
    and what that request brought does not count this time.

    Raises:
        StaleEpoch: the node was replaced.
        MissingEntries: the batch begins too late, or has a hole.
        EntryDiffers: an entry that was taken before was another one.
        InputError: names what this machine cannot have told; nothing of the batch was taken.
        ViewsSetAside: what was taken before does not show; the node keeps what it tells, and sends it once more.
        VersionConflict: again and again; the node sends it once more.
    """
    return retry_on_conflict(lambda: _take_once(machine, batch, by))


def as_refused(error: EntryDiffers) -> InputError:
    """What a person is to learn of it, as of a mistake in what was told: the board itself only stops."""
    problem = (
        f"{error.seq} was told before, and it was another one: the board's journal is a copy, was put back from an"
        " older copy, or has lost what it wrote last"
    )
    return InputError("entries.seq", problem, "enrol the board beside the machine again")


def say_refused(machine: str, error: InputError, by: Attribution) -> None:
    """See that somebody learns, once, that what a machine's board tells is refused: its journal cannot go on. Where it
    would not show that it was said, it is not, or it would be said for ever.

    Raises:
        VersionConflict: again and again.
    """

    def say_once() -> None:
        stream = f"machine/{machine}"
        version = stream_version(stream)
        shows = "machines" not in broken_views(using=DEFAULT_DB_ALIAS)
        if shows and Machine.objects.get(id=machine).refused_since is None:
            refused = ReportsRefused(field=error.field[:LONGEST_SAID], problem=error.problem[:LONGEST_SAID])
            append([Append(stream, version, [refused])], by)

    retry_on_conflict(say_once)


def _take_once(machine: str, batch: Batch, by: Attribution) -> int:
    require_views("machines")  # or all would count as new, and be written down with every pass
    stream = f"machine/{machine}"
    end = stream_end(stream)
    row: Machine = table(Machine, DEFAULT_DB_ALIAS).get(machine)  # every report asks, so in ready-made SQL
    if batch.epoch != row.epoch:
        raise StaleEpoch(batch.epoch, row.epoch)
    _require_same(machine, batch, row.accepted_through)
    new = [(index, told) for index, told in enumerate(batch.entries) if told.seq > row.accepted_through]
    for expected, (_, told) in enumerate(new, row.accepted_through + 1):
        if told.seq != expected:
            raise MissingEntries(expected, told.seq)
    if new:
        events = [*_facts(row, batch, new, by)]
        if (
            batch.retelling is not None
            and (event := retold(row, batch.retelling, [told for _, told in new])) is not None
        ):
            events.append(event)
        if row.refused_since is not None:
            events.insert(0, ReportsTakenAgain())
        append([Append(stream, end.version, events, digest=end.digest)], by)
    return row.accepted_through + len(new)


def _require_same(machine: str, batch: Batch, accepted_through: int) -> None:
    """Entries that were taken before are sent again where an answer was lost, and are then the same to the last word.
    A copied board writes on under the numbers of its original, so whichever comes second is found out here.

    A journal that lost what it wrote last, as one that is put back without the file beside it that holds its newest
    changes, writes on in the same way: nothing tells it from a copy, and it knows as little of what lies on the paper.
    So it is fenced off as well, until a person who sees the machine enrols the board beside it again."""
    known = [told for told in batch.entries if told.seq <= accepted_through]
    if not known:
        return
    taken = entries_taken(machine, known[0].seq, known[-1].seq + 1, accepted_through)
    for told in known:
        if taken.get(told.seq, told.meant) != told.meant:
            raise EntryDiffers(told.seq)


def _facts(machine: Machine, batch: Batch, new: list[tuple[int, ToldEntry]], by: Attribution) -> Iterator[Event]:
    """What is written down of new entries.

    Raises:
        InputError: names what this machine cannot have told.
    """
    known = known_of(machine, batch, [told for _, told in new], by.said_at)
    untold = not_told_yet(machine.id, known.named - known.runs.keys())
    unheard = {id for id, row in known.runs.items() if row.withdrawn_at is not None and not row.printed}
    told_of: dict[str, list[Entry]] = {}
    for index, told in new:
        try:
            facts = [*_facts_of(told, known)]
        except InputError as error:
            raise error.within(f"entries[{index}]") from None
        if isinstance(facts[0], Entry):
            told_of.setdefault(getattr(facts[0], "run", ""), []).append(facts[0])
        yield from facts
        if isinstance(facts[0], ColumnsPrinted) and facts[0].run in unheard:
            unheard.discard(facts[0].run)
            yield PrintedThoughWithdrawn(run=facts[0].run, columns=len(facts[0].columns))
        if (run := getattr(told.entry, "run", None)) in untold:
            untold.discard(run)
            yield run_not_known(machine, run, told)
    yield from words_passed_over(machine.id, known.runs, told_of)


def _facts_of(told: ToldEntry, known: Known) -> Iterator[Event]:
    entry, doubt = told.entry, told.doubt
    if entry is None:
        assert doubt is not None
        yield _set_aside(told, doubt)
        return
    run = _own_run(entry, known)
    is_of_earlier = run is not None and run.id in known.earlier
    if is_of_earlier:
        run = None  # held against nothing that is planned now
    context = known.context_for(entry, run)
    try:
        require_possible(entry, context)
    except DoesNotFit as error:
        yield _set_aside(told, error.doubt)
        return
    counted = replace(entry, run=NO_RUN) if is_of_earlier and isinstance(entry, ColumnsPrinted) else entry
    if (twice := told_twice(known.machine, context.profile, counted)) is not None:
        yield EntryToldTwice(seq=told.seq, entry=dict(told.raw), field=twice.field, problem=twice.problem)
        return
    if (late := timely(entry, context)) is not None:
        entry, doubt = replace(entry, at=context.now), late
    if is_of_earlier:
        yield from of_earlier_plan(told, entry)
        return
    yield entry
    if isinstance(entry, GapSettled) and run is not None:
        yield from differing(entry, run, context.profile)
    if doubt is not None:
        yield EntryReadInPart(seq=told.seq, entry=dict(told.raw), field=doubt.field, problem=_short(doubt.problem))


def _own_run(entry: Entry, known: Known) -> Run | None:
    """The run that an entry is about; None where it is about none, or about one that is not known here: that is a fact
    all the same, as a server may have been put back from a copy that does not know the run.

    Raises:
        InputError: it is another machine's.
    """
    run = known.runs.get(getattr(entry, "run", ""))
    if run is not None and run.machine_id != known.machine.id and not was_here(run.id, known.machine):
        raise InputError("run", f"{run.id!r} is no run of this machine", "tell only of runs that its work named")
    return run


def _set_aside(told: ToldEntry, doubt: EntryDoubt) -> EntrySetAside:
    return EntrySetAside(seq=told.seq, entry=dict(told.raw), field=doubt.field, problem=_short(doubt.problem))


def _short(text: str) -> str:
    return text if len(text) <= LONGEST_SAID else text[: LONGEST_SAID - 1] + "…"
