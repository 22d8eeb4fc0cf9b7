"""An outage laid over a run, under every policy: what is on paper, when it is true again, what an opening shows."""

from __future__ import annotations

from datetime import datetime, timedelta
from pathlib import Path
from typing import Any

import pytest

from machines.errors import InputError
from machines.recovery import Decision, Gap, Limit
from machines.serialization import structure
from scheduling.commands.openings import FixOpening
from scheduling.log.models import Machine, Outage, Run
from scheduling.nodes.reports import take
from scheduling.outages.imagined import ImaginedOutage, RunThere, imagined_gap, past_gap, past_outage
from scheduling.outages.options import RuleOptions
from scheduling.outages.policies_compared import PoliciesCompared, SettledBy, compare_policies
from scheduling.planning.days_spans import DAYS
from scheduling.planning.opening_hours import Hours, OpenSpan, Week
from scheduling.queries.machine_context import machine_context
from tests.scheduling.commands.test_override import settled
from tests.scheduling.house import NOON, batch, by, furnish, long_after, order, plan, ready, set_hours, started

pytestmark = pytest.mark.django_db
WISHES = RuleOptions(within=Limit(value=1.0, unit="hours"))


def at(hours: float) -> datetime:
    return NOON + timedelta(hours=hours)


def opens(id: str, hours: float) -> None:
    civil = {"civil": at(hours).replace(tzinfo=None).isoformat(), "zone": "UTC"}
    order(FixOpening, id=id, venue="shed", name=f"Night {id}", anchor=civil)


def there() -> RunThere:
    return RunThere(machine_context(Machine.objects.get(id="one"), NOON - timedelta(days=1)), Run.objects.get())


def gap_of(begins: float, ends: float, **said: Any) -> Gap:
    return imagined_gap(there(), ImaginedOutage(starts_at=at(begins), ends_at=at(ends), **said))


def compared(begins: float, ends: float, wishes: RuleOptions = WISHES, **said: Any) -> PoliciesCompared:
    return compare_policies(there(), gap_of(begins, ends, **said), wishes)


def kinds(told: PoliciesCompared) -> dict[Any, SettledBy]:
    return {None if one.rule is None else one.rule.kind: one for one in told.policies}


def test_catching_up_takes_what_the_formula_says(db: None) -> None:
    """240 columns a day are 10 an hour, and 20 mm an hour of 0.5 mm are 40: B hours at 4 times take B / 3 (T = B / (r
    - 1), common practice, no source)."""
    furnish()
    plan()
    told = compared(4, 10)
    assert told.times_as_fast == pytest.approx(4.0, rel=0.01)
    by_kind = kinds(told)
    late = by_kind["replay"].decision
    assert late is not None and late.hours_until_true == pytest.approx(6 / 3, rel=0.05)
    assert by_kind["replay"].true_again_at == pytest.approx(at(12), abs=timedelta(minutes=6))
    assert by_kind["replay"].is_within_run
    assert list(by_kind) == [None, "skip", "blank", "replay", "replay-within"]
    assert told.gap.end - told.gap.first == pytest.approx(60, abs=4)
    assert by_kind["skip"].true_again_at == at(10)


def test_a_run_that_ends_before_is_never_true_again(db: None) -> None:
    furnish()
    plan()
    late = kinds(compared(20, 28))["replay"]
    assert (late.is_within_run, late.true_again_at) == (False, None)
    assert late.decision is not None and "late to its last column" in late.decision.reason


def test_an_opening_shows_what_hangs_there(db: None) -> None:
    """20 columns hang between head and knife, 10 mm, two hours of the sky."""
    furnish()
    plan()
    for id, hours in (("in-it", 8), ("late", 11), ("soon", 10.5), ("after", 13), ("before", 2)):
        opens(id, hours)
    told = compared(4, 10)
    assert [one.id for one in told.openings] == ["in-it", "soon", "late", "after"]
    by_kind = kinds(told)
    standing = {kind: [one.standing for one in by_kind[kind].at_openings] for kind in ("skip", "replay")}
    assert standing["skip"] == ["still", "true", "true", "true"]
    assert standing["replay"] == ["still", "late", "late", "true"]
    assert [one.is_whole for one in by_kind["skip"].at_openings] == [True, False, False, True]
    assert [one.seams for one in by_kind["skip"].at_openings] == [0, 1, 1, 0]
    assert [one.is_whole for one in by_kind["replay"].at_openings] == [True, True, True, True]
    assert [one.is_whole for one in by_kind["blank"].at_openings] == [True, False, False, True]
    in_it, _, behind, after = by_kind["replay"].at_openings
    assert [(part.kind, part.columns) for part in in_it.parts] == [("before", 20)]
    assert in_it.behind_s == pytest.approx(4 * 3600, rel=0.1)
    assert behind.behind == pytest.approx(60 - 30, abs=4)  # an hour gains 30
    assert sum(part.columns for part in behind.parts) == 20
    assert (after.behind, [(part.kind, part.columns) for part in after.parts]) == (0, [("due", 20)])
    blank = by_kind["blank"].at_openings[1]
    assert [part.kind for part in blank.parts] == ["blank", "due"]
    assert sum(part.paper_mm for part in blank.parts) == pytest.approx(10.0)


def test_catching_up_only_while_closed_waits_for_the_doors(db: None) -> None:
    furnish()
    plan(ends_at=at(80).isoformat())
    set_hours("shed", Hours(week=Week(**dict.fromkeys(DAYS, (OpenSpan(opens="09:00", closes="21:00"),)))), by())
    opens("evening", 7.5)
    wishes = RuleOptions(within=WISHES.within, only_while_closed=True)
    late = kinds(compared(3, 6, wishes))["replay"]  # Lisbon is an hour ahead of UTC that day: it closes at 20:00 UTC
    assert late.decision is not None
    assert late.true_again_at == pytest.approx(at(9), abs=timedelta(minutes=6))  # after an hour at four times the pace
    assert late.at_openings[0].standing == "late"
    assert late.at_openings[0].behind == pytest.approx(30, abs=4), "nothing is gained while the doors are open"


def test_a_plain_period_waits_and_is_whole(tmp_path: Path) -> None:
    ready(tmp_path, cycle="period", cycle_options={"seconds": 86400, "epoch": NOON.isoformat()})
    opens("late", 11)
    waits = kinds(compared(4, 10))["shift"]
    assert waits.decision is not None and waits.decision.shift_s == pytest.approx(6 * 3600, abs=1500)
    assert (waits.at_openings[0].standing, waits.at_openings[0].is_whole) == ("true", True)


def test_the_cause_chooses_the_rule_of_the_run(db: None) -> None:
    furnish()
    plan(policy={"kind": "skip", "by_cause": [{"causes": ["jam"], "rule": {"kind": "replay"}}]})
    own = kinds(compared(4, 10, cause="jam"))[None]
    assert own.by_policy.kind == "replay" and own.decision is not None and own.decision.action == "replay"
    assert kinds(compared(4, 10))[None].by_policy.kind == "skip"


def test_ink_is_told_of_what_has_plates(tmp_path: Path) -> None:
    plates = ready(tmp_path)
    gap = imagined_gap(there(), ImaginedOutage(starts_at=at(4), ends_at=at(10)), plates)
    late = kinds(compare_policies(there(), gap, WISHES))["replay"].decision
    assert late is not None and late.ink_ml is not None and late.ink_ml > 0


@pytest.mark.parametrize(("begins", "ends"), [(-9, -1), (40, 50)])
def test_a_span_outside_the_run_is_refused(db: None, begins: float, ends: float) -> None:
    furnish()
    plan()
    with pytest.raises(InputError, match="nothing of run first is due then") as refused:
        gap_of(begins, ends)
    assert refused.value.field == "starts_at"


def test_a_span_that_begins_before_the_run_misses_its_beginning(db: None) -> None:
    furnish()
    plan()
    assert gap_of(-5, 1).first == Run.objects.get().first_column


def test_an_outage_of_the_log_is_as_its_node_told_it(tmp_path: Path) -> None:
    ready(tmp_path)
    take("one", batch(started(), settled(2, 6.0)), long_after())
    row = Outage.objects.get()
    gap = past_gap(there(), row)
    assert (gap.first, gap.end, gap.cause) == (row.gap["first"], row.gap["end"], "power")
    assert kinds(compare_policies(there(), gap, WISHES))["replay"].decision == structure(row.decision, Decision)


def test_of_an_outage_whose_beginning_nobody_knows_no_span_is_made(tmp_path: Path) -> None:
    ready(tmp_path)
    take("one", batch(started(), settled(2, 6.0)), long_after())
    with pytest.raises(InputError, match="not known for how long"):
        past_outage(Outage.objects.get())
