"""The geometry of a run in numbers for people."""

from __future__ import annotations

from dataclasses import replace

import pytest
from hypothesis import given
from hypothesis import strategies as st

from machines.model.profile import Knife
from scheduling.paper.geometry import geometry
from tests.scheduling.house import small_profile

SMALL = small_profile()  # 240 columns and 120 mm a turn, 40 dots on 20 mm, four columns a burst


def test_the_numbers_of_a_small_machine_on_a_mean_day() -> None:
    found = geometry(SMALL, 86_400.0)
    assert (found.column_pitch_mm, found.dot_pitch_mm, found.aspect) == (0.5, 0.5, 1.0)
    assert found.mm_per_degree == pytest.approx(1 / 3)
    assert found.seconds_per_column == 360.0
    assert found.burst_in_words == "printed 24 minutes (6 degrees, 2 mm) at a time"
    assert found.knife_rounding_mm == 0.0


def test_dots_that_do_not_stand_in_squares() -> None:
    assert geometry(replace(SMALL, dots_across=80), 86_400.0).aspect == 2.0


def test_without_a_knife_nothing_is_rounded() -> None:
    assert geometry(replace(SMALL, knife=None), 86_400.0).knife_rounding_mm is None


@given(st.floats(0.0, 500.0))
def test_the_knifes_rounding_is_half_a_column_at_most(head_to_knife_mm: float) -> None:
    knife = Knife(head_to_knife_mm=head_to_knife_mm, cuts_per_blade=100)
    found = geometry(replace(SMALL, knife=knife), 86_400.0)
    assert found.knife_rounding_mm is not None
    assert abs(found.knife_rounding_mm) <= found.column_pitch_mm / 2 + 1e-9


@given(st.integers(1, 240), st.floats(60.0, 4e7))
def test_a_burst_is_as_long_in_time_as_on_paper(columns: int, turn_s: float) -> None:
    found = geometry(replace(SMALL, columns_per_burst=columns), turn_s)
    assert found.burst.minutes * 60 == pytest.approx(columns * found.seconds_per_column)
    assert found.burst.degrees * found.mm_per_degree == pytest.approx(found.burst.mm)
