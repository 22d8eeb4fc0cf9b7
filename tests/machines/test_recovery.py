"""The policy after an outage. Both sides call it with the same facts, so everything rests on what it promises."""

from __future__ import annotations

from collections import Counter
from datetime import UTC, datetime

import pytest
from hypothesis import example, given, settings
from hypothesis import strategies as st

from machines.errors import InputError
from machines.recovery import Cause, Columns, Decision, Gap, Pace, Policy, settle

NOTICED = datetime(2026, 10, 24, 12, tzinfo=UTC)
CAUSES: tuple[Cause, ...] = ("power", "clock", "no-work", "late-start", "machine", "service")

policies = st.builds(Policy, kind=st.sampled_from(["skip", "replay"]))
paces = st.builds(
    Pace,
    nominal_columns_per_s=st.floats(1e-4, 10.0),
    highest_columns_per_s=st.floats(1e-4, 100.0),
    columns_per_burst=st.integers(1, 512),
)


@st.composite
def gaps(draw: st.DrawFn) -> Gap:
    first = draw(st.integers(-1_000_000, 1_000_000_000))
    unknown = draw(st.integers(0, 600))
    missing = draw(st.integers(0, 200_000))
    return Gap(
        first=first,
        unknown_end=first + unknown,
        end=first + unknown + missing,
        cause=draw(st.sampled_from(CAUSES)),
        noticed_at=NOTICED,
    )


def gap(first: int, unknown_end: int, end: int) -> Gap:
    return Gap(first=first, unknown_end=unknown_end, end=end, cause="power", noticed_at=NOTICED)


def pace(highest: float, nominal: float = 1.0, burst: int = 1) -> Pace:
    return Pace(nominal_columns_per_s=nominal, highest_columns_per_s=highest, columns_per_burst=burst)


def parts(decision: Decision) -> list[Columns]:
    return [decision.unknown, decision.skipped, decision.replayed]


@settings(max_examples=4_000, deadline=None)
@given(policies, gaps(), paces)
@example(Policy(kind="replay"), gap(5, 5, 5), pace(2.0))
@example(Policy(kind="replay"), gap(5, 9, 9), pace(2.0))
@example(Policy(kind="skip"), gap(0, 0, 1), pace(1.0))
def test_every_column_of_a_gap_is_in_exactly_one_part(policy: Policy, missing: Gap, pace: Pace) -> None:
    decision = settle(policy, missing, pace)
    # By the ends of the ranges, which tells the same as counting each column, in a thousandth of the time.
    edges = Counter({missing.first: 1})
    edges[missing.end] -= 1
    for part in parts(decision):
        edges[part.first] -= len(part) > 0
        edges[part.end] += len(part) > 0
    if missing.first == missing.end:
        assert all(len(part) == 0 for part in parts(decision))
    else:
        assert not any(edges.values())
    assert sum(map(len, parts(decision))) == missing.end - missing.first


@settings(max_examples=300, deadline=None)
@given(policies, st.integers(0, 40), st.integers(0, 40), paces)
def test_counted_one_by_one_it_is_the_same(policy: Policy, unknown: int, missing: int, pace: Pace) -> None:
    decision = settle(policy, gap(100, 100 + unknown, 100 + unknown + missing), pace)
    counted = Counter(column for part in parts(decision) for column in range(part.first, part.end))
    assert counted == Counter(range(100, 100 + unknown + missing))


@settings(max_examples=500, deadline=None)
@given(policies, gaps(), paces)
def test_what_may_be_on_the_paper_is_never_ordered_again(policy: Policy, missing: Gap, pace: Pace) -> None:
    decision = settle(policy, missing, pace)
    assert (decision.unknown.first, decision.unknown.end) == (missing.first, missing.unknown_end)
    assert decision.replayed.first >= missing.unknown_end


@settings(max_examples=500, deadline=None)
@given(policies, gaps(), paces)
def test_it_follows_the_policy_or_says_why_not(policy: Policy, missing: Gap, pace: Pace) -> None:
    decision = settle(policy, missing, pace)
    assert decision.reason
    if policy.kind == "skip":
        assert decision.action == "skip"
    elif decision.action == "skip":
        assert missing.unknown_end == missing.end or pace.ratio <= 1.0
    assert (len(decision.replayed) > 0) == (decision.action == "replay")


@settings(max_examples=500, deadline=None)
@given(policies, gaps(), paces)
def test_it_is_true_again_at_the_gaps_end_or_at_a_burst_after_it(policy: Policy, missing: Gap, pace: Pace) -> None:
    decision = settle(policy, missing, pace)
    if decision.action == "skip":
        assert (decision.true_again, decision.hours_until_true) == (missing.end, 0.0)
    else:
        assert decision.true_again >= missing.end
        assert decision.true_again % pace.columns_per_burst == 0
        assert decision.hours_until_true > 0


@given(policies, gaps(), paces)
def test_the_same_facts_give_the_same_decision(policy: Policy, missing: Gap, pace: Pace) -> None:
    assert settle(policy, missing, pace) == settle(policy, missing, pace)


@pytest.mark.parametrize(("ratio", "hours"), [(1.5, 16.0), (2.0, 8.0), (5.0, 2.0)])
def test_eight_hours_are_caught_up_in_the_time_that_the_rate_allows(ratio: float, hours: float) -> None:
    """T = outage * v / (v_max - v): 8 h at 1.5, 2 and 5 times take 16, 8 and 2 h. Common practice, no source."""
    columns_per_s = 0.01
    backlog = round(8 * 3600 * columns_per_s)
    decision = settle(Policy(kind="replay"), gap(0, 0, backlog), pace(ratio * columns_per_s, columns_per_s))
    assert decision.hours_until_true == pytest.approx(hours)
    # By then the sky has turned on by so much.
    assert decision.true_again == pytest.approx(backlog + hours * 3600 * columns_per_s, abs=1.0)


def test_a_machine_no_faster_than_the_sky_cannot_replay() -> None:
    decision = settle(Policy(kind="replay"), gap(0, 2, 10), pace(1.0))
    assert decision.action == "skip"
    assert decision.skipped == Columns(first=2, end=10)
    assert "no faster than the sky" in decision.reason


def test_with_nothing_but_unknown_columns_nothing_is_replayed() -> None:
    decision = settle(Policy(kind="replay"), gap(0, 4, 4), pace(3.0))
    assert decision.unknown == Columns(first=0, end=4)
    assert len(decision.skipped) == len(decision.replayed) == 0
    assert decision.true_again == 4


def test_a_gap_whose_parts_are_out_of_order_is_refused() -> None:
    for first, unknown_end, end in ((5, 4, 9), (5, 9, 8), (5, 4, 4)):
        with pytest.raises(InputError, match="outside the gap"):
            gap(first, unknown_end, end)


def test_columns_that_end_before_they_begin_are_refused() -> None:
    with pytest.raises(InputError, match="before the first"):
        Columns(first=3, end=2)
    assert len(Columns(first=3, end=3)) == 0
