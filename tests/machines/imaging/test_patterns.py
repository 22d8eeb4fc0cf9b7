"""Test patterns: printed by a simulated machine with a fault, and read back."""

import math
from dataclasses import replace
from typing import Any

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from machines.errors import InputError
from machines.imaging.halftone import to_dots
from machines.imaging.patterns import (
    corrected_head_to_knife_mm,
    cut_angle_degrees,
    cut_squareness,
    element_check,
    feed_correction,
    feed_ruler,
    humidity_stretch_mm,
    knife_scale,
    nozzle_check,
    wedge_tone,
)
from machines.model.profile import CarriageHead, Knife, LineHead
from tests.machines.imaging.test_rulers import PROFILE

CUTTING = replace(PROFILE, knife=Knife(head_to_knife_mm=180.0, cuts_per_blade=100))


@pytest.mark.parametrize("nozzles", [1, 12, 300])
def test_each_step_of_the_nozzle_check_is_fired_by_its_nozzle_alone(nozzles: int) -> None:
    profile = replace(PROFILE, head=CarriageHead(nozzles=nozzles, passes=1, drop_pl=1.0))
    check = nozzle_check(profile, 700)
    assert check.drops().sum() == 2000
    assert check.drops() == pytest.approx(2000 / nozzles, abs=1)
    fired = np.zeros(nozzles, dtype=int)
    for step in list(check.steps)[:: max(1, nozzles // 20)]:
        fired += check.fired(step).sum(axis=1)
    assert fired.max() <= -(-2000 // nozzles)


def test_a_dead_nozzle_is_a_missing_step() -> None:
    check = nozzle_check(PROFILE, 0)
    whole, broken = check.laid(), check.laid({5})
    missing = np.argwhere(whole & ~broken)
    assert set(missing[:, 1]) == {20}
    assert missing[:, 0].min() == 5 * 2000 // 12
    assert missing[:, 0].max() == 6 * 2000 // 12 - 1
    assert whole.any(axis=1).all()


def test_a_line_head_has_an_element_check_instead() -> None:
    profile = replace(PROFILE, head=LineHead(dot_current_a=0.03, supply_current_a=2.0, strobe_s=0.001))
    with pytest.raises(InputError, match="element check"):
        nozzle_check(profile, 0)
    dots = element_check(profile).dots
    assert (dots.sum(axis=1) == 1).all()
    assert not (dots[1:] & dots[:-1]).any()


def full_strokes(dots: np.ndarray) -> np.ndarray:
    return np.flatnonzero(dots.all(axis=0))


def test_the_feed_ruler_is_as_long_as_it_says() -> None:
    for pitch_profile in (PROFILE, replace(PROFILE, mm_per_turn=609.6, columns_per_turn=7199)):
        dots = feed_ruler(pitch_profile, 200.0).dots
        strokes = full_strokes(dots) * pitch_profile.column_pitch_mm
        assert strokes == pytest.approx([0.0, 100.0, 200.0], abs=pitch_profile.column_pitch_mm / 2 + 1e-9)
        places = np.flatnonzero(dots[0]) * pitch_profile.column_pitch_mm
        assert places == pytest.approx(np.arange(201), abs=pitch_profile.column_pitch_mm / 2 + 1e-9)


@settings(deadline=None)
@given(slip=st.floats(-0.04, 0.04))
def test_a_slipping_feed_is_set_right(slip: float) -> None:
    """A roller that loses a share of the feed prints short; with its steps multiplied it prints true."""
    factor = feed_correction(200.0, 200.0 * (1 - slip))
    assert 200.0 * factor * (1 - slip) == pytest.approx(200.0)


@pytest.mark.parametrize("measured", [0.0, -1.0, 180.0, 230.0, float("nan"), float("inf")])
def test_a_misreading_is_refused(measured: float) -> None:
    with pytest.raises(InputError) as caught:
        feed_correction(200.0, measured)
    assert caught.value.field == "measured_mm"


@settings(deadline=None)
@given(error_mm=st.integers(-14, 14))
def test_a_knife_that_stands_elsewhere_is_found(error_mm: int) -> None:
    """Print the scale, cut when the profile says that its full stroke is at the knife, read the cut, and set the
    distance."""
    true_mm = 180.0 + error_mm
    pattern = knife_scale(CUTTING)
    assert pattern.cut_column is not None
    pitch = CUTTING.column_pitch_mm
    newest_mm = pattern.cut_column * pitch + 180.0  # fed so far, when the plan says cut
    under_the_knife_mm = newest_mm - true_mm
    reading = under_the_knife_mm - pattern.cut_column * pitch
    column = round(under_the_knife_mm / pitch)
    hanging, standing = pattern.dots[0, column], pattern.dots[-1, column]
    assert (hanging, standing) == ((reading >= 0), (reading <= 0)) if reading else (True, True)
    assert corrected_head_to_knife_mm(CUTTING, reading) == pytest.approx(true_mm)


def test_no_knife_nothing_to_set() -> None:
    for refused in (
        lambda: knife_scale(PROFILE),
        lambda: cut_squareness(PROFILE),
        lambda: corrected_head_to_knife_mm(PROFILE, 1.0),
    ):
        with pytest.raises(InputError) as caught:
            refused()
        assert caught.value.field == "knife"
    with pytest.raises(InputError, match="read the scale again"):
        corrected_head_to_knife_mm(CUTTING, 200.0)


def test_cautions_stand_with_what_is_cut() -> None:
    for pattern in (knife_scale(CUTTING), cut_squareness(CUTTING)):
        assert any("gloves" in caution for caution in pattern.cautions)
    assert all("local codes" in " ".join(pattern.cautions) for pattern in (feed_ruler(PROFILE), knife_scale(CUTTING)))


def test_the_wedge_runs_from_paper_to_solid_in_even_steps() -> None:
    tone = wedge_tone(PROFILE)
    assert tone.shape == (2000, 2100)
    dots = to_dots(tone)
    assert dots.reshape(2000, 21, 100).mean(axis=(0, 2)) == pytest.approx(np.linspace(0, 1, 21), abs=0.01)


@pytest.mark.parametrize("steps", [1, 102])
def test_a_wedge_has_steps(steps: Any) -> None:
    with pytest.raises(InputError, match="steps"):
        wedge_tone(PROFILE, steps)


def test_a_cut_out_of_square_is_told() -> None:
    pattern = cut_squareness(CUTTING)
    assert full_strokes(pattern.dots).tolist() == [150]
    assert pattern.cut_column == 50
    angle = math.radians(0.5)
    upper, lower = 10 + 100 * math.tan(angle), 10 - 100 * math.tan(angle)
    assert cut_angle_degrees(CUTTING, upper, lower) == pytest.approx(0.5)
    assert cut_angle_degrees(CUTTING, 10.0, 10.0) == 0.0


def test_damp_paper_is_longer() -> None:
    """0.2% per 100 points and a swing of 20 points are 0.24 mm in 600 mm (common practice, no source)."""
    assert humidity_stretch_mm(600.0, 20.0, 0.2) == pytest.approx(0.24)
    assert humidity_stretch_mm(600.0, -20.0, 0.2) == pytest.approx(-0.24)
