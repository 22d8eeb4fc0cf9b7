"""A busy computer is given a longer day."""

from __future__ import annotations

import pytest

from server.demo.time_compression import share_of_a_core, slower, speed, too_busy


@pytest.mark.parametrize(
    ("share", "expected"),
    [(1.0, 1400.0), (0.96, 1400.0), (0.9, 900.0), (0.5, 500.0), (0.35, 300.0), (0.2, 200.0), (0.0, 175.0)],
)
def test_the_speed_follows_the_share_of_a_core(share: float, expected: float) -> None:
    assert speed(1400.0, share) == expected


def test_a_share_is_a_part_of_a_whole() -> None:
    assert 0.0 < share_of_a_core(0.05) <= 1.0


def test_what_did_not_show_is_played_at_half_the_speed_as_far_as_that_goes() -> None:
    paces = [1400.0]
    while (pace := slower(1400.0, paces[-1])) is not None:
        paces.append(pace)
    assert paces == [1400.0, 700.0, 350.0, 175.0]
    assert slower(1400.0, 300.0) == 175.0


@pytest.mark.parametrize(
    ("shares", "busy"), [([1.0, 0.9], False), ([0.7, 0.7], False), ([0.69, 0.7], True), ([0.2], True), ([], False)]
)
def test_a_computer_is_too_busy_by_the_mean_of_what_it_had_to_give(shares: list[float], busy: bool) -> None:
    assert too_busy(shares) == busy
