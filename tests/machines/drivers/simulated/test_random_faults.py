"""Faults by chance: as many as the rate says, and the same for the same seed."""

from __future__ import annotations

from itertools import pairwise
from typing import Any, get_args

import numpy as np
import pytest

from machines.clock import utc
from machines.drivers.simulated.faults import BladeWear, DeadNozzles, FaultKind
from machines.drivers.simulated.random_faults import Chance, Rate
from machines.errors import InputError
from tests.machines.node.relay import carriage_profile, line_profile

BEGINS = utc(1_790_000_000.0)
KINDS: tuple[Any, ...] = get_args(FaultKind)


def chance(seed: int = 1, days: float = 200.0, **per_day: float) -> Chance:
    rates = tuple(Rate(kind=kind, per_day=per_day.get(kind.replace("-", "_"), 0.5)) for kind in KINDS)
    return Chance(seed=seed, begins=BEGINS, days=days, rates=rates)


def test_the_same_seed_gives_the_same_faults_and_another_others() -> None:
    profile = carriage_profile()
    assert chance().draw(profile) == chance().draw(profile)
    assert chance(seed=2).draw(profile) != chance().draw(profile)


def test_every_kind_comes_within_its_days_in_order() -> None:
    drawn = chance().draw(carriage_profile())
    assert {fault.kind for fault in drawn} == set(KINDS)
    assert all(0 <= (fault.at - BEGINS).total_seconds() < 200 * 86400 for fault in drawn)
    assert all(a.at <= b.at for a, b in pairwise(drawn))


def test_longer_is_the_same_and_then_some() -> None:
    profile = carriage_profile()
    short, long = chance(days=50.0).draw(profile), chance(days=100.0).draw(profile)
    assert [fault for fault in long if (fault.at - BEGINS).days < 50] == list(short)


def test_one_kinds_rate_leaves_the_others_as_they_were() -> None:
    profile = carriage_profile()
    calm, jammed = chance().draw(profile), chance(jam=5.0).draw(profile)
    assert [f for f in calm if f.kind != "jam"] == [f for f in jammed if f.kind != "jam"]


def test_none_come_at_no_rate_or_on_no_day() -> None:
    assert chance(days=0.0).draw(carriage_profile()) == ()
    none = Chance(seed=1, begins=BEGINS, days=1e6, rates=(Rate(kind="jam", per_day=0.0),))
    assert none.draw(carriage_profile()) == ()


def test_they_come_as_often_as_the_rate_says_and_without_memory() -> None:
    """A Poisson process of 2 a day over 5000 days: 10000 +- 100 of them; mean and spread of the waits are both half a
    day (exponential distribution, textbook knowledge, no source)."""
    drawn = Chance(seed=7, begins=BEGINS, days=5000.0, rates=(Rate(kind="jam", per_day=2.0),)).draw(carriage_profile())
    assert len(drawn) == pytest.approx(10_000, abs=450)
    waits = np.diff([fault.at.timestamp() for fault in drawn]) / 86400.0
    assert waits.mean() == pytest.approx(0.5, rel=0.045)
    assert waits.std() == pytest.approx(0.5, rel=0.06)


@pytest.mark.parametrize("profile", [carriage_profile(), line_profile(), carriage_profile(knife=None)])
def test_what_is_drawn_is_of_the_machine(profile: Any) -> None:
    nozzles = profile.head.nozzles if profile.head.kind == "carriage" else profile.dots_across
    for fault in chance(days=1000.0).draw(profile):
        if isinstance(fault, DeadNozzles):
            assert 1 <= len(fault.nozzles) <= 3
            assert 0 <= min(fault.nozzles) <= max(fault.nozzles) < nozzles
        if isinstance(fault, BladeWear) and profile.knife is not None:
            assert 0 < fault.clean_cuts < fault.cuts <= profile.knife.cuts_per_blade


@pytest.mark.parametrize(
    ("values", "field"),
    [
        ({"seed": -1}, "seed"),
        ({"days": -1.0}, "days"),
        ({"days": float("inf")}, "days"),
        ({"days": 1e7}, "days"),
        ({"days": 1e6, "rates": (Rate(kind="jam", per_day=2.0),)}, "rates"),
        ({"rates": (Rate(kind="jam", per_day=1.0), Rate(kind="jam", per_day=2.0))}, "rates"),
    ],
)
def test_chances_that_cannot_be_are_refused(values: dict[str, Any], field: str) -> None:
    given: dict[str, Any] = {"seed": 1, "begins": BEGINS, "days": 1.0, "rates": ()}
    with pytest.raises(InputError) as caught:
        Chance(**{**given, **values})
    assert caught.value.field == field


@pytest.mark.parametrize("per_day", [-0.1, float("nan"), 1e9])
def test_rates_that_cannot_be_are_refused(per_day: float) -> None:
    with pytest.raises(InputError, match="per_day"):
        Rate(kind="jam", per_day=per_day)
