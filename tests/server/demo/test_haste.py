"""A busy computer is given a longer day."""

from __future__ import annotations

import pytest

from server.demo.haste import share_of_a_core, speed


@pytest.mark.parametrize(
    ("share", "expected"),
    [(1.0, 1400.0), (0.96, 1400.0), (0.9, 1200.0), (0.5, 700.0), (0.3, 400.0), (0.2, 350.0), (0.0, 350.0)],
)
def test_the_speed_follows_the_share_of_a_core(share: float, expected: float) -> None:
    assert speed(1400.0, share) == expected


def test_a_share_is_a_part_of_a_whole() -> None:
    assert 0.0 < share_of_a_core(0.05) <= 1.0
