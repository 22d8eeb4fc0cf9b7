from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from scheduling.sky.vectors import TAU, angle_between, direction, length


@given(st.floats(-10.0, 10.0), st.floats(-1.5, 1.5))
def test_directions_are_unit_vectors(longitude: float, latitude: float) -> None:
    assert length(direction(np.array([longitude]), np.array([latitude]))) == pytest.approx([1.0])


def test_directions_of_the_axes() -> None:
    longitude, latitude = np.array([0.0, TAU / 4, 0.0]), np.array([0.0, 0.0, TAU / 4])
    assert direction(longitude, latitude) == pytest.approx(np.eye(3), abs=1e-15)


@given(st.floats(1e-9, np.pi - 1e-9))
def test_angles_near_nothing_and_near_half_a_turn_are_exact(angle: float) -> None:
    one, other = direction(np.array([0.0]), np.array([0.0])), direction(np.array([angle]), np.array([0.0]))
    assert angle_between(3.0 * one, 7.0 * other) == pytest.approx([angle], rel=1e-7, abs=1e-15)


def test_lengths() -> None:
    assert length(np.array([[3.0, 0.0], [4.0, 0.0], [12.0, -2.0]])) == pytest.approx([13.0, 2.0])
