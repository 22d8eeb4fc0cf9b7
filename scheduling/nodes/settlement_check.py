"""Whether the server would have settled a gap as the node did."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import replace

from machines.model.profile import Profile
from machines.protocol.journal_entries import GapSettled
from machines.protocol.messages import pace
from machines.recovery import LAID_BEFORE, Decision, Gap, settle
from scheduling.log.events.reports import SettlementDiffered
from scheduling.log.models import Run
from scheduling.outages.overrides import was_given
from scheduling.queries.runs import run_policy, run_work

# A waiting that differs by less is the same: it is less than a dot of any run, and floats differ in their last digits.
SHIFT_TOLERANCE_S = 0.001
DECISION_PARTS = ("unknown", "again", "finished", "skipped", "replayed", "shifted")


def differing(entry: GapSettled, run: Run, profile: Profile) -> Iterator[SettlementDiffered]:
    """After a settlement that we would not have made, the word that it differs."""
    paces = [pace(profile, replace(run_work(run), end_column=end)) for end in (run.end_column, *reversed(run.ends))]
    policy = LAID_BEFORE if _may_lie_already(entry, run) else run_policy(run)
    ours = [settle(policy, _as_known_here(entry), one) for one in dict.fromkeys(paces)]
    if not any(do_the_same(one, entry.decision) for one in ours):  # by whichever end its board had heard of
        yield SettlementDiffered(run=run.id, seq=entry.seq, ours=ours[0])


def _may_lie_already(entry: GapSettled, run: Run) -> bool:
    """Whether columns may lie on the paper as those of the run that theirs succeeds, as its board says: from where it
    ends to where it ever was to."""
    if run.succeeds is None or entry.policy != LAID_BEFORE or entry.gap.override is not None:
        return False
    before = Run.objects.filter(id=run.succeeds, machine_id=run.machine_id).first()
    return before is not None and entry.gap.end <= before.longest_column


def do_the_same(ours: Decision, theirs: Decision) -> bool:
    """Whether two decisions come to the same on the paper: the same columns have the same fate, printing goes on at the
    same one, and the timeline waits as long. How that is said, how long it takes and what it costs is told, not judged;
    and where nothing lies, it lies nowhere."""
    if (ours.action, ours.onward) != (theirs.action, theirs.onward):
        return False
    if abs(ours.shift_s - theirs.shift_s) > SHIFT_TOLERANCE_S:
        return False
    parts = ((getattr(ours, name), getattr(theirs, name)) for name in DECISION_PARTS)
    return all(one == other or not (one or other) for one, other in parts)


def _as_known_here(entry: GapSettled) -> Gap:
    """The node's facts, without a person's word that nobody gave here for this run."""
    given = entry.gap.override
    if given is None or was_given(given, entry.run):
        return entry.gap
    return replace(entry.gap, override=None)
