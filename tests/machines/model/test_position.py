"""How far the paper has slipped, in what people count by, and how it is put right."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from machines.drivers.simulated.mechanics import Body, fed_to, shifted
from machines.model.position import (
    LARGEST_STEP_COLUMNS,
    Feed,
    Slip,
    SlipState,
    correction_mm,
    difference_mm,
    least_mm,
    slip_report,
    step_mm,
)
from machines.model.profile import Profile
from tests.machines.node.relay import line_profile

BLANK = np.zeros((40, 4), dtype=np.bool_)


def day_of_600_mm(**changes: object) -> Profile:
    """600 mm a day in columns of 0.1 mm, with an encoder of 0.02 mm."""
    return line_profile(mm_per_turn=600.0, columns_per_turn=6000, encoder_pitch_mm=0.02, **changes)


def test_a_thousandth_of_600_mm_a_day_is_86_s() -> None:
    """0.1 % of slip at 600 mm a day is 0.6 mm or 86 s. Computed; common practice, no source. A
    thousandth of 360 degrees is 0.36."""
    slip = Slip.of_mm(-0.001 * 600.0, day_of_600_mm(), 86400.0)
    assert slip.mm == pytest.approx(-0.6)
    assert slip.seconds == pytest.approx(-86.4)
    assert slip.degrees == pytest.approx(-0.36)
    assert slip.in_words() == "0.60 mm behind (86 s, 0.36 degrees)"
    assert Slip.of_mm(120.0, day_of_600_mm(), 86400.0).in_words() == "120.00 mm ahead (17280 s, 72.00 degrees)"


def test_a_third_of_a_percent_from_a_tenth_of_a_millimetre_of_paper_on_a_roller() -> None:
    """0.1 mm of paper on a roller of 30 mm is 0.35 % of feed (computed from N m G / (pi (d + t)); common practice, no
    source): 2.1 mm, five minutes, a day of 600 mm."""
    share = 30.0 / 30.1 - 1.0
    slip = Slip.of_mm(share * 600.0, day_of_600_mm(), 86400.0)
    assert share == pytest.approx(-0.0033, abs=0.0002)
    assert slip.seconds == pytest.approx(-287.0, abs=1.0)


@given(mm=st.floats(-1e4, 1e4), mm_per_turn=st.floats(10.0, 1e4), turn_s=st.floats(1e3, 1e8))
def test_length_time_and_angle_are_one(mm: float, mm_per_turn: float, turn_s: float) -> None:
    slip = Slip.of_mm(mm, line_profile(mm_per_turn=mm_per_turn), turn_s)
    assert slip.seconds / turn_s == pytest.approx(mm / mm_per_turn)
    assert slip.degrees / 360.0 == pytest.approx(mm / mm_per_turn)


def test_the_difference_is_measured_minus_ordered() -> None:
    profile = day_of_600_mm()
    assert difference_mm(Feed(place=1000, measured_mm=99.4), profile) == pytest.approx(-0.6)
    assert difference_mm(Feed(place=1000, measured_mm=100.25), profile) == pytest.approx(0.25)


def test_paper_that_lags_is_fed_more_and_paper_ahead_less() -> None:
    profile = day_of_600_mm()
    assert correction_mm(-0.3, profile, BLANK) == pytest.approx(0.025)
    assert correction_mm(0.3, profile, BLANK) == pytest.approx(-0.025)


@given(slip_mm=st.floats(-1000.0, 1000.0), columns=st.integers(100, 20_000), encoder_mm=st.floats(0.001, 0.4))
def test_never_more_than_a_part_of_a_column_and_never_past_the_aim(
    slip_mm: float, columns: int, encoder_mm: float
) -> None:
    profile = replace(day_of_600_mm(), columns_per_turn=columns, encoder_pitch_mm=encoder_mm)
    correction = correction_mm(slip_mm, profile, BLANK)
    assert abs(correction) <= LARGEST_STEP_COLUMNS * profile.column_pitch_mm * (1 + 1e-9)
    assert abs(slip_mm + correction) <= max(abs(slip_mm), least_mm(profile))
    assert (correction == 0) == (abs(slip_mm) < least_mm(profile))


def test_nothing_is_put_right_near_a_dot_or_where_nobody_knows() -> None:
    profile = day_of_600_mm()
    for row, column in [(0, 0), (39, 3), (20, 1)]:
        near = BLANK.copy()
        near[row, column] = True
        assert correction_mm(-5.0, profile, near) == 0.0
    assert correction_mm(-5.0, profile, None) == 0.0


def test_what_the_encoder_cannot_tell_is_left_alone() -> None:
    coarse = replace(day_of_600_mm(), encoder_pitch_mm=0.2)
    assert least_mm(coarse) == 0.2
    assert correction_mm(-0.19, coarse, BLANK) == 0.0
    assert correction_mm(-0.2, coarse, BLANK) == pytest.approx(step_mm(coarse))


def test_it_is_said_when_it_passes_the_threshold_and_at_each_threshold_more() -> None:
    profile, track, said = day_of_600_mm(), SlipState(zero_mm=0.0), []
    for hundredth in range(210):
        slip_mm = -hundredth / 100.0
        if slip_report(slip_mm, track, profile) == "slipped":
            said.append(slip_mm)
            track = replace(track, said_mm=slip_mm)
    assert said == [-0.5, -1.0, -1.5, -2.0]


def test_it_is_said_again_when_it_turns() -> None:
    profile, track = day_of_600_mm(), SlipState(zero_mm=0.0, said_mm=-2.0)
    assert slip_report(-1.6, track, profile) is None
    assert slip_report(-1.5, track, profile) == "slipped"
    assert slip_report(0.6, track, profile) == "slipped"


def test_that_it_is_made_good_is_said_once() -> None:
    profile = day_of_600_mm()
    assert slip_report(-0.02, SlipState(zero_mm=0.0, said_mm=-0.5), profile) == "corrected"
    assert slip_report(-0.02, SlipState(zero_mm=0.0), profile) is None


def test_many_small_corrections_are_told_when_they_come_to_a_threshold() -> None:
    """A steady slip that never shows is told all the same."""
    profile = day_of_600_mm()
    assert slip_report(-0.01, SlipState(zero_mm=0.0, corrected_mm=0.49), profile) is None
    assert slip_report(-0.01, SlipState(zero_mm=0.0, corrected_mm=0.5), profile) == "corrected"
    assert slip_report(-0.3, SlipState(zero_mm=0.0, corrected_mm=0.5), profile) is None, "not before it is made good"


def run(slip_share: float, columns: int, profile: Profile, *, blank_every: int) -> np.ndarray:
    """The error of each column's place, mm, of a feed that loses a share, with one blank place in so many."""
    body, errors, zero = Body(), [], 0.0
    for place in range(columns):
        body, true_places = fed_to(body, np.array([place]), 1.0 - slip_share)
        errors.append((float(true_places[0]) - place) * profile.column_pitch_mm)
        counts = np.floor(body.true_place * profile.column_pitch_mm / 0.02 + 1e-9)
        slip_mm = difference_mm(Feed(place=place, measured_mm=counts * 0.02), profile) - zero
        near = BLANK if place % blank_every == 0 else ~BLANK
        mm = correction_mm(slip_mm, profile, near)
        body = shifted(body, mm * (1.0 - slip_share) / profile.column_pitch_mm)
    return np.array(errors)


@pytest.mark.parametrize("slip_share", [0.005, -0.005, 0.02])
def test_over_a_turn_the_error_stays_within_the_threshold(slip_share: float) -> None:
    profile = day_of_600_mm()
    errors = run(slip_share, 6000, profile, blank_every=5)
    assert np.abs(errors).max() < profile.slip_threshold_mm
    assert np.abs(errors).max() < 2 * least_mm(profile) + 5 * abs(slip_share) * profile.column_pitch_mm


def test_without_a_blank_place_the_error_grows_as_predicted() -> None:
    """0.1 % of 600 mm is 0.6 mm or 86 s."""
    profile = day_of_600_mm()
    errors = run(0.001, 6001, profile, blank_every=10**9)
    assert errors[-1] == pytest.approx(-0.6, abs=0.03)


def test_more_slip_than_the_blank_places_can_make_good_goes_on_growing() -> None:
    """A quarter of a column in a hundred columns is a quarter of a percent; of half a percent, a quarter is left."""
    profile = day_of_600_mm()
    errors = run(0.005, 6001, profile, blank_every=100)
    assert errors[-1] == pytest.approx(-0.0025 * 600.0, rel=0.05)
