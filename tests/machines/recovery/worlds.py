"""Policies, gaps and paces as hypothesis may draw them."""

from __future__ import annotations

from datetime import UTC, datetime, timedelta
from typing import Any, get_args

from hypothesis import strategies as st

from machines.recovery import Cause, CauseRule, Columns, Gap, Limit, Override, Pace, Policy, Rule, Span

NOON = datetime(2026, 10, 24, 12, tzinfo=UTC)
CAUSES: tuple[Cause, ...] = get_args(Cause)

limits = st.builds(Limit, value=st.floats(0.01, 40.0), unit=st.sampled_from(["hours", "turns"]))


@st.composite
def _rule_fields(draw: st.DrawFn) -> dict[str, Any]:
    kind = draw(st.sampled_from(["skip", "replay", "replay-within", "shift", "blank"]))
    half_printed = draw(st.sampled_from(["as-the-rest", "finish", "abandon", "again"]))
    late = kind.startswith("replay") or (kind != "shift" and half_printed in ("finish", "again"))
    return {
        "kind": kind,
        "within": draw(limits) if kind == "replay-within" else None,
        "half_printed": half_printed,
        "only_while_closed": late and draw(st.booleans()),
    }


def rules() -> st.SearchStrategy[Rule]:
    """Any that may be given."""
    return _rule_fields().map(lambda fields: Rule(**fields))


@st.composite
def policies(draw: st.DrawFn) -> Policy:
    """Any that may be given."""
    causes = draw(st.permutations(CAUSES))
    first, second = sorted((draw(st.integers(0, 4)), draw(st.integers(0, 4))))
    shares = [share for share in (causes[:first], causes[first:second]) if share]
    exceptions = tuple(CauseRule(causes=tuple(share), rule=draw(rules())) for share in shares)
    return Policy(**draw(_rule_fields()), by_cause=exceptions)


paces = st.builds(
    Pace,
    nominal_columns_per_s=st.floats(1e-4, 10.0),
    highest_columns_per_s=st.floats(1e-4, 100.0),
    columns_per_burst=st.integers(1, 512),
    columns_per_turn=st.integers(2, 100_000),
    mm_per_column=st.none() | st.floats(0.01, 1.0),
    ml_per_dot=st.sampled_from([None, 0.0, 1e-8]),
)


@st.composite
def spans(draw: st.DrawFn) -> tuple[Span, ...]:
    """Closed hours from before noon on, in order."""
    at, found = NOON - timedelta(hours=draw(st.floats(0, 20))), []
    for _ in range(draw(st.integers(0, 5))):
        starts_at = at + timedelta(hours=draw(st.floats(0, 15)))
        at = starts_at + timedelta(hours=draw(st.floats(0.1, 60)))
        found.append(Span(starts_at=starts_at, ends_at=at))
    return tuple(found)


@st.composite
def gaps(draw: st.DrawFn) -> Gap:
    """Any that a node may find."""
    first = draw(st.integers(-1_000_000, 1_000_000_000))
    unknown_end = first + draw(st.integers(0, 600))
    before, after = draw(st.integers(0, 5_000)), draw(st.integers(0, 5_000))
    missing_since = st.floats(0.0, 3e5).map(lambda seconds: NOON - timedelta(seconds=seconds))
    given_at = st.floats(0.0, 3e5).map(lambda seconds: NOON - timedelta(seconds=seconds))
    return Gap(
        first=first,
        unknown_end=unknown_end,
        end=unknown_end + draw(st.integers(0, 200_000)),
        cause=draw(st.sampled_from(CAUSES)),
        noticed_at=NOON,
        missing_since=draw(st.none() | missing_since),
        segment=draw(st.none() | st.just(Columns(first=unknown_end - before, end=unknown_end + after))),
        closed=draw(spans()),
        dots_per_column=draw(st.none() | st.floats(0.0, 5e3)),
        override=draw(st.none() | st.builds(Override, id=st.just("word"), rule=rules(), given_at=given_at)),
    )
