"""The rule for many gaps at once agrees with the function that node and server settle with, gap by gap."""

from __future__ import annotations

from datetime import UTC, datetime, timedelta
from itertools import product

import numpy as np
import pytest

from machines.recovery import Columns, Decision, Gap, HalfPrinted, Limit, Pace, Policy, Rule, RuleKind, Span, settle
from scheduling.rehearsal.settling import Gaps, settle_all
from scheduling.rehearsal.spans import Spans

BEGAN = datetime(2026, 3, 1, tzinfo=UTC)
HOUR = 3600.0
LIMITS = (Limit(value=1.0, unit="hours"), Limit(value=0.25, unit="turns"), Limit(value=9.5, unit="hours"))
HALVES: tuple[HalfPrinted, ...] = ("as-the-rest", "finish", "abandon", "again")
# Open from 10:00 to 18:00 for a few days, and from then on as long as is known.
CLOSED = [(day * 24 * HOUR - 6 * HOUR, day * 24 * HOUR + 10 * HOUR) for day in range(6)]


def rules() -> list[Rule]:
    kinds: tuple[RuleKind, ...] = ("skip", "blank", "replay", "shift")
    plain = [Rule(kind=kind, half_printed=half) for kind in kinds for half in HALVES]
    limited = [Rule(kind="replay-within", within=one, half_printed=half) for one in LIMITS for half in HALVES]
    by_doors = [
        Rule(kind=one.kind, within=one.within, half_printed=one.half_printed, only_while_closed=True)
        for one in (*plain, *limited)
        if one.prints_late
    ]
    return [*plain, *limited, *by_doors]


def paces() -> list[Pace]:
    turn = 240
    v = turn / 86400.0
    return [
        Pace(
            nominal_columns_per_s=v, highest_columns_per_s=ratio * v, columns_per_burst=burst, columns_per_turn=turn,
            end_column=end,
        )
        for ratio, burst, end in product((1.0, 1.0004, 1.5, 4.0), (1, 4, 7), (1300, 1101, None))
    ]  # fmt: skip


def drawn(seed: int, count: int) -> list[Gap]:
    """Gaps of all lengths, with and without columns in doubt and a half-printed segment."""
    chance = np.random.default_rng(seed)
    gaps = []
    for _ in range(count):
        first = int(chance.integers(950, 1100))
        unknown_end = first + int(chance.choice([0, 0, 1, 4, 7]))
        end = unknown_end + int(chance.choice([0, 1, 3, 10, 40, 100, 180]))
        begins, ends = unknown_end - int(chance.integers(0, 12)), unknown_end + int(chance.integers(0, 12))
        segment = Columns(first=begins, end=ends) if chance.random() < 0.7 and begins < ends else None
        noticed_s = float(np.round(chance.random() * 4 * 24 * HOUR, 3))
        since_s = noticed_s - float(np.round(chance.random() * 30 * HOUR, 3))
        gaps.append(
            Gap(
                first=first,
                unknown_end=unknown_end,
                end=end,
                cause="power",
                noticed_at=at(noticed_s),
                missing_since=at(since_s) if chance.random() < 0.9 else None,
                segment=segment,
                closed=tuple(Span(starts_at=at(a), ends_at=at(b)) for a, b in CLOSED),
            )
        )
    return gaps


def at(seconds: float) -> datetime:
    return BEGAN + timedelta(seconds=seconds)


def in_arrays(gaps: list[Gap], known_until_s: float = CLOSED[-1][1]) -> Gaps:
    def seconds(instant: datetime | None) -> float:
        return np.nan if instant is None else (instant - BEGAN).total_seconds()

    return Gaps(
        first=np.array([gap.first for gap in gaps]),
        unknown_end=np.array([gap.unknown_end for gap in gaps]),
        end=np.array([gap.end for gap in gaps]),
        noticed_s=np.array([seconds(gap.noticed_at) for gap in gaps]),
        missing_since_s=np.array([seconds(gap.missing_since) for gap in gaps]),
        segment_first=np.array([gap.unknown_end if gap.segment is None else gap.segment.first for gap in gaps]),
        segment_end=np.array([gap.unknown_end if gap.segment is None else gap.segment.end for gap in gaps]),
        known_until_s=np.full(len(gaps), known_until_s),
    )


def in_numbers(decision: Decision) -> dict[str, int | bool]:
    return {
        "again": len(decision.again),
        "finished": len(decision.finished),
        "skipped": len(decision.skipped),
        "replayed": len(decision.replayed),
        "shifted": len(decision.shifted),
        "is_blank": decision.action == "blank",
        "is_shift": decision.action == "shift",
        "late": decision.late,
    }


@pytest.mark.parametrize("rule", rules(), ids=str)
def test_every_gap_is_settled_alike(rule: Rule) -> None:
    closed = Spans.of(CLOSED)
    for number, pace in enumerate(paces()):
        gaps = drawn(number, 40)
        arrays = in_arrays(gaps)
        found, policy = settle_all(rule, arrays, pace, closed), Policy(**vars(rule))
        for index, gap in enumerate(gaps):
            decision = settle(policy, gap, pace)
            ours = {name: getattr(found, name)[index].item() for name in in_numbers(decision)}
            assert ours == in_numbers(decision), (pace, gap)
            assert found.seconds[index] == pytest.approx(decision.hours_until_true * HOUR, abs=1e-4), (pace, gap)
            assert found.shift_s[index] == pytest.approx(decision.shift_s, abs=1e-4), (pace, gap)
            if decision.action == "shift":
                assert found.onward[index] == decision.onward
