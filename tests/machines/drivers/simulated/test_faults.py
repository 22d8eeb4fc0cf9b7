"""What is wrong at an instant follows from the plan of faults alone."""

from __future__ import annotations

from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st

from machines.clock import utc
from machines.drivers.simulated.faults import (
    BLADE_DULL,
    BLADE_WORN,
    BladeWear,
    DeadNozzles,
    Fault,
    FaultPlan,
    InkEnd,
    Jam,
    Jump,
    PaperEnd,
    Slip,
    SlowFeed,
    blade_says,
    dead_nozzles,
    feed_gain,
    keywords,
)
from machines.errors import InputError

NOON = 1_790_000_000.0


def at(seconds: float) -> Any:
    return utc(NOON + seconds)


def test_a_fault_is_there_from_its_instant_on() -> None:
    plan = FaultPlan(faults=(Jam(at=at(100)),))
    assert plan.active(NOON + 99) == ()
    assert plan.active(NOON + 100) == plan.faults
    assert plan.active(NOON + 1e9) == plan.faults


def test_until_a_person_clears_its_kind() -> None:
    faults: tuple[Fault, ...] = (Jam(at=at(0)), InkEnd(at=at(0)), Jam(at=at(500)))
    plan = FaultPlan(faults=faults).clear("jam", NOON + 300)
    assert plan.active(NOON + 299) == faults[:2], "what is done later does not undo what was"
    assert plan.active(NOON + 300) == faults[1:2]
    assert plan.active(NOON + 500) == faults[1:], "what begins later is not cleared by it"


@given(
    begun=st.lists(st.integers(0, 100), max_size=5),
    cleared=st.lists(st.integers(0, 100), max_size=5),
    now=st.integers(0, 100),
)
def test_it_is_there_just_if_nothing_cleared_it_between(begun: list[int], cleared: list[int], now: int) -> None:
    plan = FaultPlan(faults=tuple(Jam(at=at(second)) for second in begun))
    for second in cleared:
        plan = plan.clear("jam", NOON + second)
    expected = [b for b in begun if b <= now and not any(b <= c <= now for c in cleared)]
    assert [fault.at for fault in plan.active(NOON + now)] == [at(second) for second in expected]


def test_shares_of_the_feed_come_together() -> None:
    """Of 99 % that is fed by wrong steps, half a percent slips."""
    assert feed_gain([]) == 1.0
    assert feed_gain([Jam(at=at(0))]) == 1.0
    assert feed_gain([Slip(at=at(0), share=0.005), SlowFeed(at=at(0), factor=0.99)]) == pytest.approx(0.98505)


def test_all_dead_nozzles_are_known_together() -> None:
    faults = [DeadNozzles(at=at(0), nozzles=(3, 4)), Jam(at=at(0)), DeadNozzles(at=at(0), nozzles=(4, 9))]
    assert dead_nozzles(faults) == {3, 4, 9}


@pytest.mark.parametrize(
    ("fault", "keyword"),
    [(Jam, "media-jam-error"), (PaperEnd, "media-empty-error"), (InkEnd, "marker-supply-empty-error")],
)
def test_what_stands_still_says_why_in_the_trades_keywords(fault: Any, keyword: str) -> None:
    """RFC 8011 section 5.4.12: media-jam, media-empty, marker-supply-empty, each with its suffix."""
    assert keywords([fault(at=at(0)), fault(at=at(1)), Slip(at=at(0), share=0.1)]) == (keyword,)


def test_jumps_are_told_once_each_in_order() -> None:
    plan = FaultPlan(faults=(Jump(at=at(20), mm=-2.0), Jump(at=at(10), mm=3.0), Jam(at=at(10))))
    assert plan.jumps_mm(0.0, NOON + 9) == []
    assert plan.jumps_mm(0.0, NOON + 20) == [3.0, -2.0]
    assert plan.jumps_mm(NOON + 10, NOON + 20) == [-2.0]
    assert plan.jumps_mm(NOON + 20, NOON + 30) == []


def test_a_blade_wears_and_a_new_one_begins_anew() -> None:
    wear = BladeWear(at=at(0), clean_cuts=3, cuts=5)
    plan = FaultPlan(faults=(wear,))
    assert plan.blade(NOON - 1) is None
    assert plan.blade(NOON + 50) == (wear, NOON)
    changed = plan.clear("blade-wear", NOON + 100)
    assert changed.blade(NOON + 99) == (wear, NOON)
    assert changed.blade(NOON + 100) == (wear, NOON + 100)
    assert [blade_says(wear, cuts) for cuts in (0, 2, 3, 4, 5, 6)] == [
        (),
        (),
        (BLADE_DULL,),
        (BLADE_DULL,),
        (BLADE_WORN,),
        (BLADE_WORN,),
    ]


@pytest.mark.parametrize(
    ("kind", "values", "field"),
    [
        (Slip, {"share": 1.0}, "share"),
        (Slip, {"share": -0.1}, "share"),
        (SlowFeed, {"factor": 0.0}, "factor"),
        (SlowFeed, {"factor": float("nan")}, "factor"),
        (Jump, {"mm": float("inf")}, "mm"),
        (DeadNozzles, {"nozzles": (-1,)}, "nozzles"),
        (BladeWear, {"clean_cuts": 6, "cuts": 5}, "clean_cuts"),
        (BladeWear, {"clean_cuts": -1, "cuts": 5}, "clean_cuts"),
    ],
)
def test_faults_that_no_machine_has_are_refused(kind: Any, values: dict[str, Any], field: str) -> None:
    with pytest.raises(InputError) as caught:
        kind(at=at(0), **values)
    assert caught.value.field == field
