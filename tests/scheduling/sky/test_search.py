from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from scheduling.sky.arrays import FloatArray
from scheduling.sky.search import Smooth, crossings
from scheduling.sky.search import root as root_between


def root(function: Smooth, low: FloatArray, high: FloatArray) -> FloatArray:
    return root_between(function, low, high, function(low), function(high))


@given(st.lists(st.floats(-0.999, 0.999), min_size=1, max_size=20))
def test_a_root_in_each_interval(levels: list[float]) -> None:
    level = np.array(levels)
    low, high = np.full(level.shape, -0.5 * np.pi), np.full(level.shape, 0.5 * np.pi)
    assert root(lambda x: np.sin(x) - level, low, high) == pytest.approx(np.arcsin(level), abs=5e-6)


@given(st.floats(-1e9, 1e9), st.floats(1.0, 1e5), st.floats(0.01, 0.99), st.booleans())
def test_of_a_line_whichever_way_it_goes(low: float, width: float, part: float, falls: bool) -> None:
    wanted = low + part * width
    sign = -1.0 if falls else 1.0
    found = root(lambda x: sign * (x - wanted), np.array([low]), np.array([low + width]))
    assert found == pytest.approx([wanted], abs=1e-5)


@pytest.mark.parametrize("power", [3, 5, 9])
def test_of_flat_roots(power: int) -> None:
    found = root(lambda x: (x - 0.3) ** power, np.array([-1000.0]), np.array([700.0]))
    assert found == pytest.approx([0.3], abs=1e-2)


def test_of_a_step() -> None:
    found = root(lambda x: np.where(x < 12.3456, -1.0, 1.0), np.array([0.0]), np.array([100.0]))
    assert found == pytest.approx([12.3456], abs=1e-3)


def test_at_an_end_of_the_interval() -> None:
    assert root(lambda x: x, np.array([-1.0]), np.array([0.0])) == pytest.approx([0.0], abs=1e-9)
    assert root(lambda x: x, np.array([0.0, -5.0]), np.array([-1.0, 3.0])) == pytest.approx([0.0, 0.0], abs=1e-9)


def test_of_nothing() -> None:
    assert root(lambda x: x, np.empty(0), np.empty(0)).shape == (0,)


def test_few_calls_are_needed() -> None:
    calls = []

    def function(x: FloatArray) -> FloatArray:
        calls.append(x)
        return np.sin(x / 1e4) - 0.2

    root(function, np.zeros(50), np.full(50, 1.5e4))
    assert len(calls) <= 10


def test_each_root_is_the_same_alone_or_among_others() -> None:
    offsets = np.random.default_rng(1).uniform(-0.9, 0.9, 50)
    together = root(lambda x: np.tanh(x) - offsets, np.full(50, -9.0), np.full(50, 30.0))
    for index, offset in enumerate(offsets):
        alone = root(lambda x, offset=offset: np.tanh(x) - offset, np.array([-9.0]), np.array([30.0]))
        assert alone[0] == together[index]


def wave(level: float, period: float = 10.0) -> object:
    """A sine above a level, with its rate."""
    rate = 2.0 * np.pi / period

    def function(x: FloatArray) -> tuple[FloatArray, FloatArray]:
        return np.sin(rate * x) - level, rate * np.cos(rate * x)

    return function


@given(st.floats(-0.9999, 0.9999), st.floats(0.0, 3.0))
def test_every_crossing_of_a_wave_is_found_once(level: float, shift: float) -> None:
    grid = np.arange(0.0, 101.0, 3.0) + shift  # up to a third of a period between two points
    at, rises = crossings(wave(level), grid)  # type: ignore[arg-type]
    rising = 10.0 / (2.0 * np.pi) * np.arcsin(level) + 10.0 * np.arange(-2, 14)
    falling = 5.0 - 10.0 / (2.0 * np.pi) * np.arcsin(level) + 10.0 * np.arange(-2, 14)
    expected = sorted([(x, True) for x in rising] + [(x, False) for x in falling])
    inside = [(x, way) for x, way in expected if grid[0] + 1e-6 < x < grid[-1] - 1e-6]
    found = [(x, bool(way)) for x, way in zip(at, rises, strict=True) if grid[0] + 1e-6 < x < grid[-1] - 1e-6]
    assert [way for _, way in found] == [way for _, way in inside]
    assert [x for x, _ in found] == pytest.approx([x for x, _ in inside], abs=1e-4)


@pytest.mark.parametrize("level", [1.0001, -1.0001, 5.0, -5.0])
def test_a_wave_that_never_reaches_the_level_has_none(level: float) -> None:
    at, rises = crossings(wave(level), np.arange(0.0, 101.0, 3.0))  # type: ignore[arg-type]
    assert at.shape == rises.shape == (0,)


@pytest.mark.parametrize("level", [0.9999999, -0.9999999])
def test_a_wave_that_barely_pokes_through_is_found(level: float) -> None:
    at, rises = crossings(wave(level), np.arange(0.3, 101.0, 3.0))  # type: ignore[arg-type]
    assert len(at) == 20
    assert rises.tolist() == [level > 0.0, level < 0.0] * 10
    assert (np.diff(at) > 0.0).all()
