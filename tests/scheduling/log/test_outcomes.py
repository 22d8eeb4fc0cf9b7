"""What became of columns, against a model that keeps one outcome for each column."""

from __future__ import annotations

from itertools import pairwise
from typing import Any

from hypothesis import given
from hypothesis import strategies as st

from scheduling.log.outcomes import Interval, clipped, counts, follow, outside, with_interval

SURENESS = ["skipped", "unknown", "printed"]


@st.composite
def intervals(draw: st.DrawFn) -> Interval:
    first, end = sorted(draw(st.tuples(st.integers(0, 40), st.integers(0, 40))))
    return Interval(first, end, draw(st.sampled_from(SURENESS)))  # type: ignore[arg-type]


def laid(reports: list[Interval]) -> list[Interval]:
    result: list[Interval] = []
    for report in reports:
        result = with_interval(result, report)
    return result


def model(reports: list[Interval]) -> dict[int, str]:
    columns: dict[int, str] = {}
    for first, end, outcome in reports:
        for column in range(first, end):
            columns[column] = max(columns.get(column, "skipped"), outcome, key=SURENESS.index)
    return columns


@given(st.lists(intervals(), max_size=12))
def test_every_column_has_its_surest_outcome_and_is_counted_once(reports: list[Interval]) -> None:
    result, expected = laid(reports), model(reports)
    assert {column: one.outcome for one in result for column in range(one.first, one.end)} == expected
    became = list(expected.values())
    assert counts(result) == {outcome: became.count(outcome) for outcome in SURENESS}


@given(st.lists(intervals(), max_size=12), st.integers(0, 9), st.integers(0, 9), st.sampled_from(SURENESS))
def test_what_follows_is_laid_as_anything_else(reports: list[Interval], gap: int, columns: int, outcome: Any) -> None:
    before = laid(reports)
    first = max((one.end for one in before), default=0) + gap
    new, kept = Interval(first, first + columns, outcome), [list(one) for one in before]
    follow(kept, new)
    assert kept == [list(one) for one in with_interval(before, new)]


@given(st.lists(intervals(), max_size=12), st.randoms(use_true_random=False))
def test_the_order_of_reports_does_not_matter(reports: list[Interval], random: object) -> None:
    shuffled = list(reports)
    random.shuffle(shuffled)  # type: ignore[attr-defined]
    assert laid(shuffled) == laid(reports)


@given(st.lists(intervals(), max_size=12))
def test_intervals_are_in_order_and_as_few_as_can_be(reports: list[Interval]) -> None:
    result = laid(reports)
    assert all(one.first < one.end for one in result)
    for one, following in pairwise(result):
        assert one.end < following.first or (one.end == following.first and one.outcome != following.outcome)


@given(intervals(), st.lists(st.integers(0, 40), max_size=8, unique=True))
def test_outside_is_what_no_span_holds(interval: Interval, edges: list[int]) -> None:
    cuts = sorted(edges)
    spans = list(zip(cuts[::2], cuts[1::2], strict=False))
    held = {column for first, end in spans for column in range(first, end)}
    parts = outside(interval, spans)
    assert {column for one in parts for column in range(one.first, one.end)} == (
        set(range(interval.first, interval.end)) - held
    )


@given(intervals(), st.integers(0, 40), st.integers(0, 40))
def test_clipped_is_the_common_part(interval: Interval, first: int, end: int) -> None:
    first, end = sorted((first, end))
    part = clipped(interval, first, end)
    assert set(range(part.first, part.end)) == set(range(interval.first, interval.end)) & set(range(first, end))


def test_a_replayed_stretch_stays_due_until_it_is_printed() -> None:
    unknown = with_interval([], Interval(0, 4, "unknown"))
    assert with_interval(unknown, Interval(4, 9, "printed")) == [(0, 4, "unknown"), (4, 9, "printed")]
