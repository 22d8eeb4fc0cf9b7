"""Dot gain: measured on a simulated press, and undone."""

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from machines.errors import InputError
from machines.imaging.dot_gain import ToneCurve, coverage_from_density
from machines.imaging.halftone import to_dots

ASKED = tuple(float(step) for step in np.linspace(0.0, 1.0, 21))


def pressed(dots: np.ndarray, points: int = 5, radius: float = 3.2) -> np.ndarray:
    """Ink on paper at several points a dot, every dot a round blot wider than its place."""
    paper = np.zeros((dots.shape[0] * points, dots.shape[1] * points), dtype=bool)
    centres = np.zeros_like(paper)
    centres[points // 2 :: points, points // 2 :: points] = dots
    reach = int(radius)
    for down in range(-reach, reach + 1):
        for along in range(-reach, reach + 1):
            if down**2 + along**2 <= radius**2:
                paper |= np.roll(centres, (down, along), axis=(0, 1))
    return paper


def printed(level: float, method: str, curve: ToneCurve | None = None) -> float:
    return float(pressed(to_dots(np.full((100, 192), level, dtype=np.float32), method, curve)).mean())


@pytest.mark.parametrize("method", ["diffusion", "blue-noise"])
def test_a_wedge_measured_and_undone_prints_true_within_one_percent(method: str) -> None:
    measured = [printed(level, method) for level in ASKED]
    gain = np.subtract(measured, ASKED)
    assert gain.max() > 0.1
    # Where blots have closed the paper no tone is left to tell apart; the wedge is read up to there.
    steps = [0, *(index for index in range(1, 20) if measured[index - 1] < measured[index] < 0.995), 20]
    curve = ToneCurve(asked=tuple(ASKED[index] for index in steps), printed=tuple(measured[index] for index in steps))
    for level in (0.11, 0.26, 0.41, 0.56, 0.71, 0.86):
        assert printed(level, method, curve) == pytest.approx(level, abs=0.01)


def test_gain_is_told() -> None:
    curve = ToneCurve(asked=(0.0, 0.5, 1.0), printed=(0.0, 0.68, 1.0))
    assert curve.gain(0.5) == pytest.approx(0.18)
    assert curve.gain(0.25) == pytest.approx(0.09)


def test_line_art_has_no_tones_to_correct() -> None:
    curve = ToneCurve(asked=(0.0, 0.5, 1.0), printed=(0.0, 0.9, 1.0))
    tone = np.array([[0.0, 0.4, 0.6, 1.0]], dtype=np.float32)
    assert to_dots(tone, "line-art", curve).tolist() == [[False, False, True, True]]


@settings(deadline=None)
@given(steps=st.lists(st.floats(0.01, 0.99), min_size=1, max_size=20, unique=True), level=st.floats(0, 1))
def test_asking_for_the_corrected_tone_prints_the_tone(steps: list[float], level: float) -> None:
    rising = (0.0, *sorted(steps), 1.0)
    if min(np.diff(rising)) < 1e-3:
        return
    asked = tuple(float(step) for step in np.linspace(0.0, 1.0, len(rising)))
    curve = ToneCurve(asked=asked, printed=rising)
    corrected = curve.corrected(np.array([level], dtype=np.float32))
    assert np.interp(corrected, asked, rising) == pytest.approx(level, abs=1e-4)
    assert corrected.dtype == np.float32


def test_ends_stay_where_they_are() -> None:
    curve = ToneCurve(asked=(0.0, 0.5, 1.0), printed=(0.0, 0.8, 1.0))
    assert curve.corrected(np.array([0.0, 1.0], dtype=np.float32)).tolist() == [0.0, 1.0]


@pytest.mark.parametrize(
    ("asked", "measured", "field"),
    [
        ((0.0, 1.0), (0.0, 0.5, 1.0), "printed"),
        ((0.0,), (0.0,), "printed"),
        ((0.1, 1.0), (0.0, 1.0), "asked"),
        ((0.0, 1.0), (0.0, 0.9), "printed"),
        ((0.0, 0.5, 1.0), (0.0, 0.0, 1.0), "printed[1]"),
        ((0.0, 0.6, 0.4, 1.0), (0.0, 0.4, 0.6, 1.0), "asked[2]"),
        ((0.0, 0.5, 1.0), (0.0, float("nan"), 1.0), "printed[1]"),
    ],
)
def test_a_wedge_that_cannot_be_is_refused(asked: tuple[float, ...], measured: tuple[float, ...], field: str) -> None:
    with pytest.raises(InputError) as caught:
        ToneCurve(asked=asked, printed=measured)
    assert caught.value.field == field


def test_the_coverage_is_the_share_of_light_that_the_ink_takes() -> None:
    """Paper and solid side by side reflect their shares of light, and density is minus its logarithm."""
    paper, solid = 0.82, 0.05
    for coverage in (0.0, 0.2, 0.5, 0.77, 1.0):
        tint = paper + coverage * (solid - paper)
        densities = [-np.log10(light) for light in (tint, solid, paper)]
        assert coverage_from_density(*densities) == pytest.approx(coverage)
    assert coverage_from_density(0.301, 10.0) == pytest.approx(0.5, abs=1e-4)


def test_a_solid_no_darker_than_the_paper_is_refused() -> None:
    for refused in (
        lambda: coverage_from_density(0.1, 0.2, 0.3),
        lambda: coverage_from_density(float("nan"), 1.0),
    ):
        with pytest.raises(InputError):
            refused()
