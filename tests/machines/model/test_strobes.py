"""A line head's strobes: under the current limit, as few as can be, and evenly loaded."""

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from machines.model.profile import LineHead
from machines.model.strobes import NO_STROBE, strobes, strobes_needed

HEAD = LineHead(dot_current_a=0.03, supply_current_a=2.4, strobe_s=0.002)


def test_a_quotient_that_is_whole_on_paper_is_whole() -> None:
    """2.4 / 0.03 is 79.99999999999999 or 80.0, as the numbers fall."""
    assert HEAD.dots_per_strobe == 80
    for dots in range(1, 2000):
        assert LineHead(dot_current_a=0.03, supply_current_a=0.03 * dots, strobe_s=1.0).dots_per_strobe == dots


def test_a_handbook_column() -> None:
    """800 dots of 24 V over 800 ohm ask 24 A at once, strobes of 64 dots 1.92 A (common practice, no source)."""
    head = LineHead(dot_current_a=24 / 800, supply_current_a=1.92, strobe_s=0.001)
    numbers = strobes(np.ones(800, dtype=bool), head)
    loads = np.bincount(numbers)
    assert len(loads) == 13
    assert loads.max() * head.dot_current_a <= 1.92
    assert head.full_column_s(800) == pytest.approx(0.013)


@settings(deadline=None)
@given(data=st.data(), rows=st.integers(1, 500), limit=st.integers(1, 90))
def test_strobes_are_few_even_and_under_the_limit(data: st.DataObject, rows: int, limit: int) -> None:
    dots = np.array(data.draw(st.lists(st.booleans(), min_size=rows, max_size=rows)))
    head = LineHead(dot_current_a=0.1, supply_current_a=0.1 * limit, strobe_s=1.0)
    numbers = strobes(dots, head)
    assert np.array_equal(numbers != NO_STROBE, dots)
    loads = np.bincount(numbers[dots])
    assert len(loads) == -(-dots.sum() // limit) == strobes_needed(dots, head)
    if len(loads):
        assert loads.max() <= limit
        assert loads.max() - loads.min() <= 1


def test_several_columns_are_each_on_their_own() -> None:
    dots = np.random.default_rng(2).random((700, 20)) < np.linspace(0, 1, 20)
    together = strobes(dots, HEAD)
    for column in range(20):
        assert np.array_equal(together[:, column], strobes(dots[:, column], HEAD))


def test_every_strobe_is_spread_over_the_head() -> None:
    numbers = strobes(np.ones(800, dtype=bool), HEAD)
    for strobe in range(10):
        assert np.ptp(np.flatnonzero(numbers == strobe)) >= 790


def test_a_blank_column_takes_no_strobe() -> None:
    blank = np.zeros((100, 3), dtype=bool)
    assert (strobes(blank, HEAD) == NO_STROBE).all()
    assert strobes_needed(blank, HEAD).tolist() == [0, 0, 0]
