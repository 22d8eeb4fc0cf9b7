"""Idle firing: no nozzle stays idle for too long, and none fires into the waste that need not."""

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from machines.head import plan
from machines.idle_firing import fires_by_step, idle_drops
from machines.profile import CarriageHead, IdleFiring
from machines.supplies import idle_ml

HEAD = CarriageHead(nozzles=12, passes=3, drop_pl=10.0)


def test_a_busy_head_wastes_nothing() -> None:
    head_plan = plan(np.ones((300, 60), dtype=bool), 0, HEAD, 1)
    fires = fires_by_step(head_plan)
    assert fires.shape == (71, 12)
    inner = fires[11:-11]
    assert inner.all()
    drops, _ = idle_drops(inner, 10.0, IdleFiring(drops=20, every_s=60.0))
    assert not drops.any()


def test_fires_are_those_of_the_steps() -> None:
    head_plan = plan(np.random.default_rng(1).random((4, 30)) < 0.05, 500, HEAD, 1)
    fires = fires_by_step(head_plan)
    assert fires.sum() <= head_plan.drops().sum()
    assert np.array_equal(fires.any(axis=0), head_plan.drops() > 0)


def test_a_blank_picture_wastes_what_the_budget_says() -> None:
    idle = IdleFiring(drops=100, every_s=60.0)
    drops, _ = idle_drops(np.zeros((24 * 3600 // 10, 12), dtype=bool), 10.0, idle)
    ml = drops.sum() * HEAD.drop_pl * 1e-9
    assert ml == pytest.approx(idle_ml(HEAD, 86_400.0, idle), rel=0.01)


@settings(deadline=None)
@given(
    seed=st.integers(0, 999),
    share=st.floats(0, 1),
    step_s=st.floats(1, 50),
    every_s=st.floats(50, 500),
    cut=st.integers(0, 40),
)
def test_no_nozzle_dries_and_segments_meet(seed: int, share: float, step_s: float, every_s: float, cut: int) -> None:
    fires = np.random.default_rng(seed).random((40, 5)) < share
    idle = IdleFiring(drops=3, every_s=every_s)
    drops, left = idle_drops(fires, step_s, idle)
    assert set(np.unique(drops)) <= {0, 3}
    idle_s = np.zeros(5)
    for step in range(40):
        assert (idle_s[drops[step] > 0] + step_s > every_s).all()  # none before it must
        idle_s[drops[step] > 0] = 0.0
        idle_s = np.where(fires[step], 0.0, idle_s + step_s)
        assert (idle_s <= every_s).all()
    first, between = idle_drops(fires[:cut], step_s, idle)
    second, last = idle_drops(fires[cut:], step_s, idle, between)
    assert np.array_equal(np.concatenate([first, second]), drops)
    assert np.array_equal(last, left)
