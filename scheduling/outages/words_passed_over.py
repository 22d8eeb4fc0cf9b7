"""A person's word that was passed over: what it was about came to an end, and it was not settled by it."""

from __future__ import annotations

from collections.abc import Collection, Iterable, Iterator, Mapping, Sequence
from datetime import datetime

from django.db import DEFAULT_DB_ALIAS

from machines.protocol.journal_entries import ColumnsPrinted, Entry, GapSettled, TrueAgain
from machines.recovery import Override as Said
from scheduling.log.events.reports import WordPassedOver
from scheduling.log.models import Outage, Override, Run
from scheduling.log.projecting.projector import broken_views
from scheduling.log.rows.row_sql import table
from scheduling.outages.overrides import active_override, version_of


def words_passed_over(
    machine: str, runs: Mapping[str, Run], told: Mapping[str, Sequence[Entry]]
) -> Iterator[WordPassedOver]:
    """What became of the words that stand on runs of a machine, by what its node tells next.

    Args:
        machine: id.
        runs: that the node tells of, as the views have them, before any of it is folded; by id.
        told: what is written down of each next, in order.

    Returns:
        those that were passed over; not those that were followed, nor those that may still be. None where that does not
        show, as a view is set aside.
    """
    words: list[Override] = table(Override, DEFAULT_DB_ALIAS).where("machine_id = %s ORDER BY given_at, id", machine)
    newest = {word.run_id: word for word in words}
    ids = {run for run, word in newest.items() if word.used_by is None and word.passed_over_at is None}
    if not ids or broken_views(using=DEFAULT_DB_ALIAS) & {"runs", "outages"}:
        return
    for run in (*(runs[id] for id in sorted(ids & runs.keys())), *Run.objects.filter(id__in=ids - runs.keys())):
        word = active_override(run)
        if word is not None:
            later = (told.get(one.id, ()) for one in runs.values() if one.starts_at >= run.ends_at)
            yield from _passed_over(run, word, told.get(run.id, ()), [entry.at for some in later for entry in some])


def decided_otherwise(outages: Collection[Outage]) -> set[str]:
    """Of some outages, by their ids, those that are over and with which a word was passed over; while one is open, a
    word on it may still be followed."""
    over = {one.id: (one.machine_id, one.true_again_at) for one in outages if one.true_again_at is not None}
    machines, at = {machine for machine, _ in over.values()}, {at for _, at in over.values()}
    words = Override.objects.filter(machine_id__in=machines, passed_over_at__in=at)
    found = set(words.values_list("machine_id", "passed_over_at"))
    return {id for id, which in over.items() if which in found}


def _passed_over(run: Run, word: Said, told: Iterable[Entry], of_later: Iterable[datetime]) -> Iterator[WordPassedOver]:
    """The word on a run, by what is told of the run, and by when things happened that are told of later ones."""
    late = Outage.objects.filter(run_id=run.id, true_again_at=None).order_by("-version").first()
    settled = late or _settled(word)
    is_late, settled_at = late is not None, None if settled is None else settled.noticed_at
    # What was settled was accounted for to the end of its gap, also where some of that is printed late.
    over_at, reached = None, run.first_column if settled is None else int(settled.gap["end"])
    for entry in told:
        match entry:
            case GapSettled():
                if entry.gap.override is not None and entry.gap.override.id == word.id:
                    return
                is_late, settled_at = entry.decision.late > 0, entry.gap.noticed_at
                reached = entry.gap.end
            case TrueAgain():
                is_late = False
            case ColumnsPrinted():
                reached = max(reached, entry.columns.end)  # what is printed late lies before what was left out
                # A run may end before the machine is true again.
                is_late = is_late and entry.columns.end < run.end_column
            case _:
                continue
        # A word may have been given when nobody had heard yet that the run was over.
        if over_at is None and not is_late and (entry.at > word.given_at or reached >= run.end_column):
            over_at = entry.at
    if over_at is None:  # a machine that has turned to another run never comes back to this one
        over_at = min((at for at in of_later if at > word.given_at), default=None)
    if over_at is not None:
        yield WordPassedOver(
            run=run.id, override=word.id, given_at=word.given_at, settled_at=settled_at, over_at=over_at
        )


def _settled(word: Said) -> Outage | None:
    """The outage that a word is about, where nothing of it is printed late any more; None where none was told so far:
    the newest that was told since, or the one that was open when the word was given."""
    given = Override.objects.get(id=word.id)
    since = Outage.objects.filter(run_id=given.run_id, version__gt=version_of(word)).order_by("-version").first()
    return since or Outage.objects.filter(id=given.outage).first()
