"""A seed is a scenario, always the same one, and a few seeds reach every kind of fault."""

from __future__ import annotations

from dataclasses import replace

import pytest
from hypothesis import given
from hypothesis import strategies as st

from tests.faults.acts import MAKING
from tests.faults.covering import covering
from tests.faults.kinds import CHANGED, FORGETS, KINDS, LONG, TAKEOVERS, WORDS
from tests.faults.options import HORIZONS, POLICIES, PROFILES, SHIFTS
from tests.faults.pinned import pinned
from tests.faults.relay import TROUBLES
from tests.faults.scenario import draw


@given(st.integers(0, 10**9))
def test_the_same_seed_gives_the_same_scenario(seed: int) -> None:
    assert draw(seed) == draw(seed)


@given(st.integers(0, 10**9))
def test_a_scenario_is_one_that_can_be_played(seed: int) -> None:
    scenario = draw(seed)
    assert 1 <= len(scenario.faults) <= 5
    assert sum(fault.kind in (*TAKEOVERS, *FORGETS) for fault in scenario.faults) <= 1
    assert sum(fault.kind in WORDS for fault in scenario.faults) <= 1
    assert (scenario.cycle == "period") == (scenario.policy in SHIFTS), "the sky waits for nobody"
    assert 1 <= len(scenario.spans_h) <= 3
    assert 2.0 < scenario.hours < 7.0
    assert abs(float(scenario.skew.split(":")[1])) <= 250.0
    assert [fault.at_h for fault in scenario.faults] == sorted(fault.at_h for fault in scenario.faults)
    for fault in scenario.faults:
        assert fault.at_h < scenario.hours, "it strikes while the run lasts"
        assert fault.kind in ("clock-step", "server-moved") or fault.lasts_h > 0
        assert fault.kind in str(fault)


def test_every_kind_is_drawn() -> None:
    drawn = [draw(seed) for seed in range(1, 200)]
    assert set().union(*(scenario.kinds for scenario in drawn)) == set(KINDS)
    assert {scenario.policy for scenario in drawn} == set(POLICIES)
    assert {scenario.profile for scenario in drawn} == set(PROFILES)
    assert {scenario.horizon for scenario in drawn} == set(HORIZONS)
    assert {len(scenario.spans_h) for scenario in drawn} == {1, 2, 3}
    assert {scenario.attended for scenario in drawn} == {False, True}
    said = {fault.detail for scenario in drawn for fault in scenario.faults if fault.kind in WORDS}
    assert said == {"skip", "replay", "blank"}


def test_now_and_then_the_server_is_gone_for_days() -> None:
    gone = [fault for seed in range(1, 1500) for fault in draw(seed).faults if fault.kind == "server-gone"]
    days = [fault for fault in gone if fault.lasts_h >= 24.0]
    assert 0.03 * len(gone) < len(days) < 0.2 * len(gone)


def test_seeds_are_chosen_for_what_they_add_and_for_being_short() -> None:
    seeds = range(1, 200)
    for wanted in ({"node-killed", "portal"}, {*KINDS, *PROFILES}):
        chosen = covering(seeds, wanted)
        assert wanted <= set().union(*(draw(seed).has for seed in chosen))
        assert len(chosen) <= 14
    (shortest,) = covering(seeds, {"server-gone"})
    assert draw(shortest).lasts_h == min(draw(seed).lasts_h for seed in seeds if "server-gone" in draw(seed).kinds)


def test_what_no_seed_has_is_said() -> None:
    with pytest.raises(ValueError, match="earthquake"):
        covering(range(1, 20), {"earthquake"})


def test_the_names_of_kinds_are_known() -> None:
    assert set(TROUBLES) | set(LONG) | set(TAKEOVERS) | set(FORGETS) | set(WORDS) <= set(KINDS)
    assert set(MAKING) == {*KINDS, *CHANGED}, "each is known how to play"


def test_the_letters_of_a_scenario_tell_of_all_that_is_drawn_and_not_of_what_nobody_draws() -> None:
    scenario = draw(1)
    assert pinned(scenario) == pinned(replace(scenario, seed=2, neighbours=()))
    others = [
        replace(scenario, faults=scenario.faults[1:]),
        replace(scenario, skew="0:0"),
        replace(scenario, loses=True),
        replace(scenario, neighbours=(draw(2),)),
    ]
    assert len({pinned(scenario), *map(pinned, others)}) == 5
