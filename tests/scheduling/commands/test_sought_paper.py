"""The paper of a run that is sought is the paper of that run once it is planned; and why a wish is missed is said."""

from __future__ import annotations

from datetime import UTC, datetime, timedelta
from typing import Any

import pytest

from scheduling.answers.paper_at import PaperAt, paper_at
from scheduling.commands.run_search import seek_run
from scheduling.commands.sought_paper import as_ordered, sought_papers
from scheduling.log.models import Event, Machine
from scheduling.queries.machine_context import MachineContext, machine_context
from tests.scheduling.commands.test_run_search import DAY, SHORT_ROLL, TUESDAYS, seek, sought, window, wish
from tests.scheduling.house import NOON, furnish, plan

pytestmark = pytest.mark.django_db
OPENS = datetime(2026, 11, 5, 18, tzinfo=UTC)


def now_there() -> MachineContext:
    return machine_context(Machine.objects.get(), NOON)


def seen(paper: PaperAt) -> dict[str, Any]:
    """What of a paper does not name its run."""
    return {
        "laid": [(one.place, one.first, one.end) for one in paper.laid],
        "hangs": [(one.place, one.first, one.end) for one in paper.hangs],
        "head": paper.head,
        "newest": None if paper.newest is None else (paper.newest.first, paper.newest.end),
        "due": None if paper.due is None else (paper.due.first, paper.due.end),
        "cut": paper.cut,
        "source": paper.source,
    }


@pytest.mark.parametrize("beside", [False, True])
def test_it_is_the_paper_of_that_run_once_it_is_planned(beside: bool) -> None:
    furnish()
    if beside:
        plan(id="other", ends_at=(NOON + timedelta(days=3)).isoformat())
    asked = sought(wish("place-in-sight", phase=0.25), days=12.0)
    answers = seek_run(asked, NOON).answers
    instants = [OPENS + timedelta(hours=number) for number in range(len(answers))]
    events = Event.objects.count()
    papers = sought_papers(asked.run, answers, now_there(), instants, 2000)
    assert Event.objects.count() == events
    assert as_ordered(asked.run, answers[-1]).starts_at == answers[-1].starts_at
    assert papers[0].due is not None and papers[0].due.on.run.id == asked.run.id
    found = {"starts_at": answers[0].starts_at.isoformat(), "ends_at": asked.run.ends_at.isoformat()}
    plan(**found | {"strips_per_turn": answers[0].strips_per_turn})
    assert seen(papers[0]) == seen(paper_at(now_there(), instants[0], 2000))


def test_before_a_run_that_is_sought_there_is_what_there_was() -> None:
    furnish()
    plan(id="other", ends_at=(NOON + timedelta(days=3)).isoformat())
    asked = sought(wish("place-at-head", phase=0.25), days=12.0)
    (first, *_) = seek_run(asked, NOON).answers
    (paper,) = sought_papers(asked.run, [first], now_there(), [NOON + timedelta(days=1)], 0)
    assert seen(paper) == seen(paper_at(now_there(), NOON + timedelta(days=1)))


def test_it_is_said_what_keeps_a_wish_from_being_nearer() -> None:
    furnish(media=SHORT_ROLL)
    window("tuesday")
    found = seek(wish("place-at-head", phase=0.25), wish("strip-falls"), TUESDAYS | {"weekdays": [3]}).answers[0]
    head, falls, changed = (one.why_not_nearer for one in found.wishes)
    assert head == "Once a turn it is under the head: when, the sky fixes, and no beginning moves it."
    assert falls is not None and "strips a turn one falls every " in falls
    assert changed is not None and changed.startswith("The roll ends at 2026-11-")
    assert "Tuesday is the last service window before that." in changed
    kept = seek(wish("place-at-head", phase=0.25), **DAY).answers[0]
    assert kept.wishes[0].why_not_nearer is None


def test_the_epoch_that_is_found_is_one_that_people_can_say() -> None:
    furnish()
    for phase in (0.1, 0.25, 1 / 3):
        best = seek(wish("place-at-head", phase=phase), **DAY).answers[0]
        assert best.wishes[0].kept and best.cycle_options["epoch"].endswith(".000000Z"), best.cycle_options
