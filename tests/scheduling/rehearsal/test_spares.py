"""Spares for a confidence: the table of the trade, and the Poisson sum by another way than the sum."""

from __future__ import annotations

import math

import numpy as np
import pytest

from machines.errors import InputError
from scheduling.rehearsal.spares import spares


@pytest.mark.parametrize(("mean", "number"), [(0.25, 1), (0.5, 2), (1.0, 3), (2.0, 5), (3.0, 6)])
def test_at_95_in_100_it_is_the_table_of_the_trade(mean: float, number: int) -> None:
    """Computed for the trade's notes from the Poisson sum; common practice, no source."""
    assert spares(mean, 0.95) == number


@pytest.mark.parametrize("mean", [0.1, 0.7, 1.9, 4.4, 11.0, 37.0])
@pytest.mark.parametrize("confidence", [0.5, 0.9, 0.95, 0.99, 0.999])
def test_the_number_is_the_smallest_that_is_enough(mean: float, confidence: float) -> None:
    """P(at most s) is the integral of x^s exp(-x) / s! from the mean to infinity: the upper incomplete gamma function
    (NIST Digital Library of Mathematical Functions 8.4.10, from memory)."""

    def at_most(number: int) -> float:
        x = np.linspace(mean, mean + 40.0 + 12.0 * math.sqrt(number + 1.0), 400_001)
        return float(np.trapezoid(np.exp(number * np.log(x) - x - math.lgamma(number + 1)), x))

    number = spares(mean, confidence)
    assert at_most(number) >= confidence - 1e-7
    assert number == 0 or at_most(number - 1) < confidence + 1e-7


@pytest.mark.parametrize("mean", [501.0, 1000.0, 3660.0])
def test_of_many_failures_it_is_what_the_normal_distribution_says(mean: float) -> None:
    """A Poisson count of mean m is nearly normal, of mean m and variance m; 1.645 of its deviations are not surpassed
    in 95 cases of 100, with a correction for its skewness of (1.645^2 - 1) / 6 (Cornish and Fisher, from memory)."""
    assert spares(mean, 0.95) == pytest.approx(mean + 1.645 * math.sqrt(mean) + (1.645**2 - 1) / 6, abs=1.0)


def test_without_failures_none_is_needed() -> None:
    assert spares(0.0, 0.999) == 0


@pytest.mark.parametrize(
    ("mean", "confidence"), [(-1.0, 0.9), (math.inf, 0.9), (1.0, 0.0), (1.0, 1.0), (math.nan, 0.9)]
)
def test_what_is_no_question_is_refused(mean: float, confidence: float) -> None:
    with pytest.raises(InputError):
        spares(mean, confidence)
