"""A run that a server forgot is planned again: what its machine told meanwhile is held against it, and counts."""

from __future__ import annotations

from dataclasses import replace
from datetime import timedelta
from pathlib import Path
from typing import Any

import pytest
from django.db import connection
from django.test.utils import CaptureQueriesContext

from machines.errors import InputError
from machines.protocol.journal_entries import Entry, GapSettled
from machines.protocol.messages import pace
from machines.recovery import Gap, Policy, RuleKind, settle
from machines.serialization import structure
from scheduling.background.extend_plans import extend_plans
from scheduling.commands.plan_run import PlanRun, plan_run, read_run_context
from scheduling.log.events.plans import RunPlanned
from scheduling.log.models import NO_RUN, Notice, Outage, PrintedStretch, Run, Segment
from scheduling.log.rebuilding.rebuild import rebuild
from scheduling.log.store import read
from scheduling.nodes.dispatch import work_for
from scheduling.nodes.reports import take
from scheduling.nodes.told_before import planning
from scheduling.queries.runs import run_work
from tests.scheduling.house import NOON, batch, long_after, plan, printed, ready, small_profile

pytestmark = pytest.mark.django_db

LATER = NOON + timedelta(days=2)
SECOND: dict[str, Any] = {
    "id": "second",
    "starts_at": LATER.isoformat(),
    "ends_at": (LATER + timedelta(hours=12)).isoformat(),
}
BY_A_PERIOD: dict[str, Any] = {
    "cycle": "period",
    "cycle_options": {"seconds": 86400.0, "epoch": NOON.isoformat()},
    "policy": {"kind": "shift"},
}
FORGOTTEN = 20


def columns_to_be(**fields: Any) -> tuple[int, int]:
    """Of the run ``second``, as it was planned before it was forgotten."""
    planned = to_be_planned(**fields)
    return planned.first_column, planned.end_column


def to_be_planned(**fields: Any) -> RunPlanned:
    """The run ``second``, as it was planned before it was forgotten."""
    asked = {"machine": "one", "source": "picture", "cycle": "apparent-solar-day", "policy": {"kind": "skip"}}
    command: Any = structure(SECOND | asked | fields, PlanRun)
    return plan_run(command, read_run_context(command))


def printed_of(seq: int, first: int, end: int) -> Entry:
    return replace(printed(seq, first // 5, first, end, end - first, first % 1000), run="second", at=LATER)


def settled(seq: int, gap: Gap, kind: RuleKind = "skip", **facts: Any) -> GapSettled:
    policy = Policy(kind=kind)
    decision = settle(policy, gap, pace(small_profile(), run_work(Run.objects.get(id="first"))))
    said: dict[str, Any] = {"seq": seq, "at": gap.noticed_at, "run": "second", "paper_position": 0}
    return GapSettled(**said, gap=gap, policy=policy, decision=decision)


def all_of_it() -> list[Entry]:
    """Twenty columns that were left out, and the rest printed."""
    first, end = columns_to_be()
    gap = Gap(first=first, unknown_end=first, end=first + FORGOTTEN, cause="power", noticed_at=LATER)
    middle = first + FORGOTTEN + 30
    return [settled(1, gap), printed_of(2, gap.end, middle), printed_of(3, middle, end)]


def plan_again(**fields: Any) -> Run:
    plan(**SECOND | fields)
    return Run.objects.get(id="second")


def planned_event() -> RunPlanned:
    (fact,) = read(streams=["run/second"], kinds=["run-planned"])
    assert isinstance(fact.event, RunPlanned)
    return fact.event


def test_a_run_that_was_finished_meanwhile_is_finished_and_not_offered(tmp_path: Path) -> None:
    plates = ready(tmp_path)
    take("one", batch(*all_of_it()), long_after())
    Run.objects.filter(id="first").delete()  # which would be offered first, as nothing is told of it
    run = plan_again()
    extend_plans(LATER, timedelta(hours=192), plates)
    run.refresh_from_db()
    columns = run.end_column - run.first_column
    assert (run.printed, run.skipped, run.unknown, run.ahead) == (columns - FORGOTTEN, FORGOTTEN, 0, [])
    assert not Segment.objects.filter(run_id="second", finished_at=None).exists()
    assert work_for("one", LATER, timedelta(hours=192), 60.0).run is None
    assert planned_event().without == ()
    assert not Notice.objects.filter(kind="entry-passed-over").exists()


def test_live_views_are_those_folded_again(tmp_path: Path) -> None:
    plates = ready(tmp_path)
    told = all_of_it()
    take("one", batch(*told[:2]), long_after())
    plan_again()
    extend_plans(LATER, timedelta(hours=192), plates)
    take("one", batch(*told), long_after())
    assert all(result.equal for result in rebuild(swap=False))


def test_however_much_was_told_of_it_no_more_is_asked_while_nobody_else_can_write(tmp_path: Path) -> None:
    ready(tmp_path)
    first, _ = columns_to_be()
    asked = []
    for count in (2, 40):
        take(
            "one", batch(*(printed_of(seq, first + seq, first + seq + 1) for seq in range(1, count + 1))), long_after()
        )
        with CaptureQueriesContext(connection) as queries:
            planning("second", to_be_planned(), small_profile(), long_after().said_at)
        asked.append(len(queries))
    assert asked[0] == asked[1]


def test_what_does_not_fit_the_run_is_left_out_with_a_notice(tmp_path: Path) -> None:
    """It was planned again, but to end earlier."""
    ready(tmp_path)
    take("one", batch(*all_of_it()), long_after())
    run = plan_again(ends_at=(LATER + timedelta(hours=6)).isoformat())
    assert planned_event().without == (6,), "behind the machine, its board, two entries and a word on the run"
    assert [(first, end) for first, end, _ in run.ahead][-1][1] == run.first_column + FORGOTTEN + 30
    stretches = PrintedStretch.objects.order_by("version").values_list("run_id", flat=True)
    assert list(stretches) == ["second", NO_RUN]
    notice = Notice.objects.get(kind="entry-passed-over")
    assert "told under number 3 does not show in runs, which cannot take it (columns: " in notice.said
    assert all(result.equal for result in rebuild(swap=False))


def test_a_waiting_longer_than_the_machine_stood_is_of_no_run(tmp_path: Path) -> None:
    """The door cannot know it while the run is not known."""
    ready(tmp_path)
    first, _ = columns_to_be(**BY_A_PERIOD)
    since = LATER - timedelta(minutes=5)
    gap = Gap(first=first, unknown_end=first, end=first + 9, cause="power", noticed_at=LATER, missing_since=since)
    entry = settled(1, gap, "shift")
    entry = replace(entry, decision=replace(entry.decision, shift_s=86400.0))
    take("one", batch(entry), long_after())
    run = plan_again(**BY_A_PERIOD)
    assert run.shift_s == 0.0
    assert planned_event().without == (3,)
    assert Outage.objects.get().run_id == NO_RUN


def test_a_run_is_planned_again_as_it_was_though_the_one_before_has_waited_into_it(tmp_path: Path) -> None:
    """When both were planned nobody knew that it would. A run of which the machine tells nothing must begin later."""
    ready(tmp_path, **BY_A_PERIOD, ends_at=LATER.isoformat())
    first, waits = columns_to_be()[0], Run.objects.get(id="first")
    since = waits.ends_at - timedelta(hours=3)
    gap = Gap(
        first=waits.end_column - 20,
        unknown_end=waits.end_column - 20,
        end=waits.end_column - 9,
        cause="power",
        noticed_at=since + timedelta(hours=2),
        missing_since=since,
    )
    take("one", batch(replace(settled(1, gap, "shift"), run="first")), long_after())
    waits.refresh_from_db()
    assert waits.ends_at == LATER + timedelta(seconds=waits.shift_s) and waits.shift_s > 3600.0
    with pytest.raises(InputError, match="the machine is on run 'first' until"):
        plan_again()
    take("one", batch(printed_of(2, first, first + 9)), long_after())
    assert plan_again().ahead
    with pytest.raises(InputError, match="the machine is on run 'first' until"):
        plan(**SECOND | {"id": "third"})


def test_a_gap_that_would_have_been_settled_otherwise_here_is_told(tmp_path: Path) -> None:
    ready(tmp_path)
    take("one", batch(*all_of_it()), long_after())
    assert Outage.objects.get().differs is None
    plan_again(policy={"kind": "replay"})
    assert Outage.objects.get().differs["action"] == "replay"
    assert Notice.objects.get(kind="settlement-differed").cleared_at is None
