"""What a person said of an outage, as long as it counts, and as a node gets it."""

from __future__ import annotations

from django.db import DEFAULT_DB_ALIAS

from machines.recovery import Override, Rule
from machines.serialization import structure
from scheduling.log.models import Outage, PrintedStretch, Run
from scheduling.log.models import Override as Word
from scheduling.log.rows.row_sql import table


def active_override(run: Run) -> Override | None:
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
