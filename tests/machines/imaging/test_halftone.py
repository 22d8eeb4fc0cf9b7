"""Tone to dots: the mean tone of every step of a wedge, and no seam where the turn closes."""

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from PIL import Image

from machines.imaging.halftone import to_dots

STEPS = np.linspace(0.0, 1.0, 21, dtype=np.float32)
METHODS = ["diffusion", "blue-noise", "ordered"]


def flat(level: float, rows: int = 240, columns: int = 1411) -> np.ndarray:
    """A tone without a feature; 1411 is no multiple of any mask."""
    return np.full((rows, columns), level, dtype=np.float32)


@pytest.mark.parametrize("method", METHODS)
def test_every_step_of_a_wedge_keeps_its_mean_tone_within_one_percent(method: str) -> None:
    wedge = np.repeat(STEPS, 100)[:, None] * np.ones(1411, dtype=np.float32)
    means = to_dots(wedge, method).reshape(len(STEPS), 100, -1).mean(axis=(1, 2))
    assert means == pytest.approx(STEPS, abs=0.01)
    assert np.all(np.diff(means) > 0)


@pytest.mark.parametrize("method", METHODS)
def test_a_gradient_along_the_paper_keeps_its_tone_too(method: str) -> None:
    tone = np.tile(0.5 - 0.5 * np.cos(np.linspace(0, 2 * np.pi, 1411, endpoint=False)), (400, 1)).astype(np.float32)
    dots = to_dots(tone, method)
    window = 83
    assert dots.reshape(400, -1, window).mean(axis=(0, 2)) == pytest.approx(
        tone.reshape(400, -1, window).mean(axis=(0, 2)), abs=0.01
    )


def neighbour_shares(dots: np.ndarray, reach: int = 4) -> np.ndarray:
    """For every column, how often a dot there has a dot k columns on, in the same row or up to two rows off."""
    return np.array(
        [
            (dots & np.roll(np.roll(dots, -along, axis=1), -down, axis=0)).mean(axis=0)
            for along in range(1, reach + 1)
            for down in (-2, -1, 0, 1, 2)
        ]
    )


def strangeness_at_closing(dots: np.ndarray) -> float:
    """How far the statistics of the columns at the closing lie from the mean, over how far the strangest thousandth of
    all columns do. Below 1 the closing cannot be told from other places."""
    shares = neighbour_shares(dots)
    deviations = np.abs(shares - shares.mean(axis=1, keepdims=True)) / (shares.std(axis=1, keepdims=True) + 1e-3)
    by_column = deviations.mean(axis=0)
    return float(by_column[[-4, -3, -2, -1, 0]].max() / np.quantile(by_column, 0.999))


@pytest.mark.parametrize("method", METHODS)
@pytest.mark.parametrize("level", [0.07, 0.2, 0.35, 0.5, 0.62, 0.9])
def test_local_statistics_across_the_closing_equal_those_elsewhere(method: str, level: float) -> None:
    assert strangeness_at_closing(to_dots(flat(level, rows=1200), method)) <= 1.0


@pytest.mark.parametrize("level", [0.2, 0.35, 0.62])
def test_the_seam_would_show_without_the_leading_back(level: float) -> None:
    """The measure is sharp: a turn taken from the midst of a diffusion that runs on and on fails it."""
    levels = np.rint(flat(level, rows=1200).T * 255).astype(np.uint8)
    running = np.asarray(Image.fromarray(np.tile(levels, (2, 1))).convert("1")).T
    assert strangeness_at_closing(running[:, 700 : 700 + 1411]) > 1.5


def test_tone_across_the_closing_is_the_tone_elsewhere() -> None:
    for level in (0.1, 0.5, 0.8):
        means = np.roll(to_dots(flat(level), "diffusion"), 64, axis=1).mean(axis=0)[:128].reshape(8, 16).mean(axis=1)
        assert means == pytest.approx(level, abs=0.01)


@pytest.mark.parametrize("method", [*METHODS, "line-art"])
def test_blank_stays_blank_and_solid_solid(method: str) -> None:
    tone = flat(0.0)
    tone[60:120, 300:900] = 1.0
    tone[120:180, 300:900] = 0.3
    dots = to_dots(tone, method)
    assert not dots[tone == 0].any()
    assert dots[tone == 1].all()


def test_line_art_is_cut_at_one_half() -> None:
    tone = np.array([[0.0, 0.49, 0.5, 1.0]], dtype=np.float32)
    assert to_dots(tone, "line-art").tolist() == [[False, False, True, True]]


def test_diffusion_agrees_with_pillow_far_from_the_closing() -> None:
    """Pillow's own diffusion as a cross-check of tone, patch by patch."""
    rng = np.random.default_rng(5)
    patches = rng.random((6, 12), dtype=np.float32)
    tone = np.kron(patches, np.ones((50, 100), dtype=np.float32))
    pillow = np.asarray(Image.fromarray(np.rint(tone * 255).astype(np.uint8)).convert("1"))

    def inner_means(dots: np.ndarray) -> np.ndarray:
        return dots.reshape(6, 50, 12, 100)[:, 10:-10, :, 10:-10].mean(axis=(1, 3))

    for method in METHODS:
        assert inner_means(to_dots(tone, method)) == pytest.approx(inner_means(pillow), abs=0.02)


def diffused_slowly(levels: np.ndarray) -> np.ndarray:
    """Floyd and Steinberg's weights 7, 3, 5, 1 over 16, straight from the definition."""
    values = np.pad(levels.astype(float) / 255, ((0, 1), (1, 1)))
    dots = np.zeros(levels.shape, dtype=bool)
    for line in range(levels.shape[0]):
        for place in range(1, levels.shape[1] + 1):
            dots[line, place - 1] = values[line, place] > 0.5
            error = values[line, place] - dots[line, place - 1]
            values[line, place + 1] += error * 7 / 16
            values[line + 1, place - 1 : place + 2] += error * np.array([3, 5, 1]) / 16
    return dots


def test_tone_is_that_of_the_definition() -> None:
    """The clipping of the library's diffusion costs less than half a percent of tone."""
    for level in (0.1, 0.25, 0.5, 0.7, 0.93):
        tone = flat(level, rows=64, columns=200)
        slow = diffused_slowly(np.rint(tone.T * 255).astype(np.uint8))
        assert to_dots(tone, "diffusion").mean() == pytest.approx(slow.mean(), abs=0.005)


@settings(max_examples=25, deadline=None)
@given(rows=st.integers(1, 40), columns=st.integers(2, 600), seed=st.integers(0, 99), method=st.sampled_from(METHODS))
def test_any_shape_closes(rows: int, columns: int, seed: int, method: str) -> None:
    """Dots have the tone's shape, the tone is not changed, and the same tone gives the same dots."""
    tone = np.random.default_rng(seed).random((rows, columns), dtype=np.float32)
    before = tone.copy()
    dots = to_dots(tone, method)
    assert dots.shape == tone.shape
    assert dots.dtype == np.bool_
    assert np.array_equal(tone, before)
    assert np.array_equal(dots, to_dots(tone, method))
