"""A person's word in a model of the server: when it is taken, as long as it stands, and when it was passed over."""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from datetime import datetime, timedelta

from machines.protocol.journal_entries import ColumnsPrinted, Entry, GapSettled, TrueAgain
from machines.recovery import Override, Rule
from tests.modelled.known import Known, Planned, Word


def standing(known: Known, run: Planned) -> Override | None:
    """The newest word on a run, if it may still count."""
    word = _newest(known, run.work.id)
    if word is None or word.used or word.passed_over:
        return None
    if known.late_outage(run.work.id) is None:
        settled = (o.true_again_at for o in known.outages if o.run == run.work.id)
        if any(at is not None and at > word.said.given_at for at in (run.laid_at, *settled)):
            return None
    return word.said


def give(known: Known, run: str, rule: Rule, now: datetime, silent_after_s: float) -> Word | None:
    """Take a word, if something is open on a run and missing; None if not."""
    current = known.current(now)
    if current is None or current.work.id != run:
        return None
    late = known.late_outage(run)
    silent = known.heard_at is None or now - known.heard_at > timedelta(seconds=silent_after_s)
    settling = known.held_since is not None and _next_due(current) < known.held_since
    if not (known.hold or late or silent or settling):
        return None
    if late is None and _next_due(current) > now:
        return None
    said = Override(id=f"{known.machine}-{len(known.facts) + 1}", rule=rule, given_at=now)
    word = Word(said, run)
    known.write("outage-overridden", override={"id": said.id}, run=run)
    known.words.append(word)
    known.changes += 1
    return word


def passed_over(known: Known, told: Mapping[str, Sequence[Entry]]) -> Iterator[Word]:
    """Words that were passed over, by what is told next of each run, before it is folded."""
    for run in known.runs.values():
        word = _newest(known, run.work.id)
        if word is None or standing(known, run) is None:
            continue
        over = _is_over(known, run, word, told.get(run.work.id, ()))
        if over is None:
            later = (told.get(one.work.id, ()) for one in known.runs.values() if one.starts_at >= _ends(run))
            over = any(entry.at > word.said.given_at for some in later for entry in some)
        if over:
            yield word


def _is_over(known: Known, run: Planned, word: Word, told: Sequence[Entry]) -> bool | None:
    """Whether what a word is about is over; False where it was followed, None where neither is told."""
    is_late, over = known.late_outage(run.work.id) is not None, None
    end = run.work.end_column
    reached = run.work.first_column
    for entry in told:
        match entry:
            case GapSettled():
                if entry.gap.override is not None and entry.gap.override.id == word.said.id:
                    return False
                is_late, reached = entry.decision.late > 0, entry.gap.end
            case TrueAgain():
                is_late = False
            case ColumnsPrinted():
                reached = entry.columns.end
                is_late = is_late and reached < end
            case _:
                continue
        if over is None and not is_late and (entry.at > word.said.given_at or reached >= end):
            over = True
    return over


def _newest(known: Known, run: str) -> Word | None:
    words = [word for word in known.words if word.run == run]
    return max(words, key=lambda word: (word.said.given_at, word.said.id), default=None)


def _ends(run: Planned) -> datetime:
    return run.ends(run.segments[-1])


def _next_due(run: Planned) -> datetime:
    """When the first column that has no outcome belongs under the head."""
    for segment in run.segments:
        for column in run.due_of(segment):
            begins, ends = run.begins(segment), run.ends(segment)
            share = (column - segment.first_column) / (segment.end_column - segment.first_column)
            return begins + share * (ends - begins)
    return _ends(run)
