"""A person's word that was passed over: what it was about came to an end, and it was not settled by it."""

from __future__ import annotations

from collections.abc import Iterable

from machines.entries import ColumnsPrinted, GapSettled, TrueAgain
from scheduling.log.events import Event, WordPassedOver
from scheduling.log.models import Outage, Run
from scheduling.override import standing_word


def passed_over(run: Run, told: Iterable[Event]) -> WordPassedOver | None:
    """What became of the word that stands on a run, by what its node tells next.

    Args:
        run: as the views have it, before any of this is folded.
        told: what is written down of it next, in order.

    Returns:
        that it was passed over; None where none stands, where it was followed, and while it may still be.
    """
    word = standing_word(run)
    if word is None:
        return None
    late = Outage.objects.filter(run_id=run.id, true_again_at=None).order_by("-version").first()
    is_late, settled_at = late is not None, None if late is None else late.noticed_at
    over_at = None
    for entry in told:
        match entry:
            case GapSettled():
                if entry.gap.override is not None and entry.gap.override.id == word.id:
                    return None
                is_late, settled_at = entry.decision.late > 0, entry.gap.noticed_at
            case TrueAgain():
                is_late = False
            case ColumnsPrinted():
                pass
            case _:
                continue
        if over_at is None and not is_late and entry.at > word.given_at:
            over_at = entry.at
    if over_at is None:
        return None
    return WordPassedOver(run=run.id, override=word.id, given_at=word.given_at, settled_at=settled_at, over_at=over_at)
