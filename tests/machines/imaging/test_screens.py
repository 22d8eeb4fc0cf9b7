"""Threshold masks: complete, blue, and fitted to a turn of any length."""

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from machines.imaging.pieces import Piece
from machines.imaging.screens import blue_noise, mask_columns, ordered, threshold


@pytest.mark.parametrize("ranks", [blue_noise(), ordered()], ids=["blue-noise", "ordered"])
def test_every_rank_occurs_once(ranks: np.ndarray) -> None:
    assert np.array_equal(np.sort(ranks, axis=None), np.arange(ranks.size))


def test_bayer_begins_as_published() -> None:
    """The 4 by 4 matrix that is printed everywhere (from memory), as every fourth threshold of ours."""
    assert (ordered()[:4, :4] // 16).tolist() == [[0, 8, 2, 10], [12, 4, 14, 6], [3, 11, 1, 9], [15, 7, 13, 5]]


@pytest.mark.parametrize("level", [0.05, 0.1, 0.3, 0.5])
def test_blue_noise_has_little_power_at_low_frequencies(level: float) -> None:
    """Against white noise of the same tone, whose power is level * (1 - level) at every frequency."""
    dots = (blue_noise() < level * 4096) - level
    power = np.abs(np.fft.fft2(dots)) ** 2 / dots.size / (level * (1 - level))
    frequency = np.hypot(*np.meshgrid(np.fft.fftfreq(64), np.fft.fftfreq(64)))
    low = (frequency > 0) & (frequency < 0.3 * min(0.5, np.sqrt(level)))
    assert power[low].mean() < 0.1
    assert power[frequency > 0.35].mean() > 1.0


def test_blue_noise_closes_on_itself_both_ways() -> None:
    dots = blue_noise() < 400
    for axis in (0, 1):
        pairs = (dots & np.roll(dots, 1, axis=axis)).mean(axis=1 - axis)
        assert pairs[0] <= pairs.mean() + 3 * pairs.std() + 1e-9


@settings(deadline=None)
@given(columns=st.integers(1, 5000), first=st.integers(-500, 500))
def test_a_turn_of_any_length_takes_whole_masks(columns: int, first: int) -> None:
    """Neighbours in the turn are neighbours in the mask, but for a step of 0 or 2 here and there."""
    places = mask_columns(np.arange(first, first + columns), columns, 64)
    assert places.min() >= 0
    assert places.max() < 64
    if columns >= 64:
        steps = (np.roll(places, -1) - places) % 64
        assert set(steps.tolist()) <= {0, 1, 2}
        assert np.count_nonzero(steps != 1) <= 32


def test_a_multiple_of_the_mask_is_the_mask_repeated() -> None:
    tone = np.full((64, 640), 0.37, dtype=np.float32)
    dots = np.zeros((64, 640), dtype=np.bool_)
    threshold(Piece(0, tone), "blue-noise", dots)
    assert np.array_equal(dots, np.tile(dots[:, :64], (1, 10)))
