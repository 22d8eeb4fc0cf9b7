from __future__ import annotations

import threading
from concurrent.futures import ThreadPoolExecutor

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from scheduling.sky.arrays import FloatArray
from scheduling.sky.chebyshev import SampledFunction


class Waves:
    """Two smooth functions, which remember what was asked of them."""

    def __init__(self) -> None:
        self.asked: list[FloatArray] = []
        self._lock = threading.Lock()

    def __call__(self, instants: FloatArray) -> FloatArray:
        with self._lock:
            self.asked.append(instants)
        return np.array([np.sin(instants), np.exp(-instants / 10.0)])


def sampled(waves: Waves, nodes: int = 16) -> SampledFunction:
    return SampledFunction(waves, components=2, first=0.0, last=100.0, longest_block=4.0, nodes=nodes)


@given(st.lists(st.floats(0.0, 100.0), min_size=1, max_size=30))
def test_it_is_the_function(instants: list[float]) -> None:
    at = np.array(instants)
    values = sampled(Waves()).values(at, [0, 1])
    assert values == pytest.approx(np.array([np.sin(at), np.exp(-at / 10.0)]), abs=1e-12)


@given(st.lists(st.floats(0.0, 100.0), min_size=1, max_size=30))
def test_its_rates_are_the_derivative(instants: list[float]) -> None:
    at = np.array(instants)
    function = sampled(Waves())
    values, rates = function.values_and_rates(at, [0, 1])
    assert values == pytest.approx(function.values(at, [0, 1]), abs=1e-14)
    assert rates == pytest.approx(np.array([np.cos(at), -0.1 * np.exp(-at / 10.0)]), abs=1e-9)


def test_a_polynomial_of_lower_degree_than_nodes_is_exact() -> None:
    function = SampledFunction(
        lambda t: np.array([t**5 - 3.0 * t]), components=1, first=0.0, last=2.0, longest_block=1.0, nodes=6
    )
    at = np.linspace(0.0, 2.0, 41)
    assert function.value(at, 0) == pytest.approx(at**5 - 3.0 * at, abs=1e-13)


def test_more_nodes_come_nearer() -> None:
    at = np.linspace(0.0, 100.0, 1001)
    errors = [np.abs(sampled(Waves(), nodes).value(at, 0) - np.sin(at)).max() for nodes in (6, 8, 10, 12)]
    assert errors == sorted(errors, reverse=True)
    assert errors[-1] < 1e-7


def test_components_are_picked_in_any_order() -> None:
    function, at = sampled(Waves()), np.array([1.0, 50.0])
    both, swapped = function.values(at, [0, 1]), function.values(at, [1, 0])
    assert (both == swapped[::-1]).all()
    assert (function.value(at, 1) == both[1]).all()


@pytest.mark.parametrize("shape", [(), (1,), (4,), (2, 3), (0,)])
def test_shapes_are_kept(shape: tuple[int, ...]) -> None:
    function, at = sampled(Waves()), np.full(shape, 12.5)
    assert function.values(at, [0, 1]).shape == (2, *shape)
    assert function.value(at, 0).shape == shape
    values, rates = function.values_and_rates(at, [0])
    assert values.shape == rates.shape == (1, *shape)


def test_blocks_are_sampled_when_first_needed_and_only_then() -> None:
    waves = Waves()
    function = sampled(waves)
    assert waves.asked == []
    function.value(np.array([1.0, 2.0, 41.0]), 0)
    (asked,) = waves.asked
    assert len(asked) == 2 * 16
    assert set((asked // 4.0).astype(int)) == {0, 10}
    function.value(np.array([3.9, 40.1]), 1)
    assert len(waves.asked) == 1


def test_many_missing_blocks_are_asked_together_but_not_too_many_at_once() -> None:
    waves = Waves()
    function = SampledFunction(waves, components=2, first=0.0, last=1000.0, longest_block=1.0, nodes=8)
    function.value(np.linspace(0.0, 1000.0, 5000), 0)
    assert sum(len(asked) for asked in waves.asked) == 8000
    assert max(len(asked) for asked in waves.asked) <= 2048
    assert len(waves.asked) == 4


def test_blocks_share_the_span_evenly_up_to_its_very_end() -> None:
    waves = Waves()
    function = SampledFunction(waves, components=2, first=0.0, last=10.0, longest_block=4.0, nodes=12)
    assert function.value(np.array([0.0, 10.0]), 0) == pytest.approx([0.0, np.sin(10.0)], abs=1e-6)
    assert max(asked.max() for asked in waves.asked) <= 10.0


def test_memory_is_bounded_and_reported() -> None:
    function = sampled(Waves())
    empty = function.used_bytes
    function.value(np.array([1.0]), 0)
    one_block = 2 * 16 * 8
    assert function.used_bytes == empty + one_block
    function.value(np.linspace(0.0, 100.0, 1000), 0)
    assert function.used_bytes == function.capacity_bytes == empty + 25 * one_block


def test_threads_sample_each_block_once_and_see_whole_blocks() -> None:
    waves = Waves()
    function = sampled(waves)
    start = threading.Barrier(8)

    def ask(seed: int) -> float:
        at = np.random.default_rng(seed).uniform(0.0, 100.0, 500)
        start.wait()
        return float(np.abs(function.value(at, 0) - np.sin(at)).max())

    with ThreadPoolExecutor(8) as threads:
        errors = list(threads.map(ask, range(8)))
    assert max(errors) < 1e-12
    assert sum(len(asked) for asked in waves.asked) == 25 * 16


def test_what_is_found_does_not_depend_on_what_else_is_asked() -> None:
    function = sampled(Waves())
    at = np.random.default_rng(3).uniform(0.0, 100.0, 200)
    together = function.value(at, 0)
    alone = np.array([function.value(at[index : index + 1], 0)[0] for index in range(len(at))])
    assert (together == alone).all()
