"""A person's word on an outage while it is open, in place of the run's policy; for that outage only."""

from __future__ import annotations

from django.db import DEFAULT_DB_ALIAS, transaction

from machines.chance import Chance
from machines.errors import InputError
from machines.recovery import Override, Rule
from machines.serialization import structure
from scheduling.log.events.server import OutageOverridden
from scheduling.log.models import Outage, PrintedStretch, Run
from scheduling.log.models import Override as Word
from scheduling.log.projecting.projector import require_views
from scheduling.log.remarks import keep, require_length
from scheduling.log.retry import until_won
from scheduling.log.rows.row_sql import table
from scheduling.log.store import Append, Attribution, append, stream_version
from scheduling.outages.open_outage import OpenOutage, next_due, open_outage
from scheduling.outages.rule_checks import require_rule_fits


class NothingOpen(Exception):
    """There is nothing to decide: what was missing is settled, and the machine is true to the sky."""


def override_outage(outage: Outage, rule: Rule, reason: str | None, by: Attribution, chance: Chance) -> Word:
    """Say otherwise how an outage is to be settled whose columns are still being printed late.

    Raises:
        NothingOpen: it is over; or a later one took over from it.
        InputError: the rule cannot be kept.
        LostRace: the machine told something in the same moment, again and again.
    """
    if outage.true_again_at is not None:
        raise NothingOpen(
            f"outage {outage.id!r} is settled, and the machine was true to the sky again at "
            f"{outage.true_again_at:%Y-%m-%d %H:%M:%S} UTC; nothing of it is left to decide"
        )
    return override_run(Run.objects.get(id=outage.run_id), rule, reason, by, chance)


def override_run(run: Run, rule: Rule, reason: str | None, by: Attribution, chance: Chance) -> Word:
    """Say how what is open on a run is to be settled: after a silence, while its machine is held, or while columns are
    printed late. Said again before the node has settled, the newest word counts.

    A lost race means that the machine told something in the same moment: whether anything is open is looked at again.

    Raises:
        NothingOpen: nothing is.
        InputError: the rule cannot be kept, or the reason is too long.
        ViewsSetAside: what is open cannot be told.
        LostRace: again and again.
    """
    return until_won(lambda: _override_once(run, rule, reason, by, chance))


def _override_once(run: Run, rule: Rule, reason: str | None, by: Attribution, chance: Chance) -> Word:
    stream = f"machine/{run.machine_id}"
    version = stream_version(stream)
    require_views("machines", "outages", "runs")
    found = _require_open(run, by)
    require_length(reason)
    try:
        require_rule_fits(rule, found.ground)
    except InputError as error:
        raise error.within("rule") from None
    word = Override(id=f"{run.machine_id}-{version + 1}", rule=rule, given_at=by.said_at)
    with transaction.atomic():
        event = OutageOverridden(
            run=run.id,
            override=word,
            because=found.because,
            outage=None if found.outage is None else found.outage.id,
            remark=keep(reason, chance),
        )
        append([Append(stream, version, [event])], by)
    return Word.objects.get(id=word.id)


def _require_open(run: Run, by: Attribution) -> OpenOutage:
    found = open_outage(machine=run.machine_id, now=by.said_at)
    if found is None:
        raise NothingOpen(
            f"nothing is open on machine {run.machine_id!r}: it was heard, nothing holds it, and nothing is being "
            "printed late; a decision can be made once one of these is so"
        )
    if found.run.id != run.id:
        raise NothingOpen(
            f"machine {run.machine_id!r} is not on run {run.id!r} but on {found.run.id!r}; decide on that"
        )
    due = next_due(found)
    if found.outage is None and due > by.said_at:  # the node takes a word for one on an earlier outage
        raise NothingOpen(
            f"nothing is missing on machine {run.machine_id!r} yet: its next column is due at {due:%Y-%m-%d %H:%M:%S} "
            "UTC; a decision can be made from then on"
        )
    return found


def standing_word(run: Run) -> Override | None:
    """The newest word of a person on a run, if it may still count: nothing was settled by it yet, and what it was about
    is not over. Where nothing is known to be printed late, it is over with the first column laid or the first gap
    settled since."""
    words = table(Word, DEFAULT_DB_ALIAS).where("run_id = %s ORDER BY given_at DESC, id DESC LIMIT 1", run.id)
    word: Word | None = next(iter(words), None)
    if word is None or word.used_by is not None or word.passed_over_at is not None:
        return None
    if not Outage.objects.filter(run_id=run.id, true_again_at=None).exists():
        laid = PrintedStretch.objects.filter(run_id=run.id, at__gt=word.given_at)
        settled = Outage.objects.filter(run_id=run.id, true_again_at__gt=word.given_at)
        if laid.exists() or settled.exists():
            return None
    return as_given(word)


def was_given(said: Override, run: str) -> bool:
    """Whether a word that a node settled by is one that a person gave on this run."""
    word = Word.objects.filter(id=said.id, run_id=run).first()
    return word is not None and as_given(word) == said


def version_of(word: Override) -> int:
    """Of the event by which a word was given, in its machine's stream: its id ends with it."""
    return int(word.id.rpartition("-")[2])


def as_given(word: Word) -> Override:
    """A word as a node gets it."""
    return Override(id=word.id, rule=structure(word.rule, Rule), given_at=word.given_at)
