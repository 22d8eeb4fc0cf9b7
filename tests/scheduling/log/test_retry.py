"""Who loses a race looks again, but not for ever."""

from __future__ import annotations

import pytest

from scheduling.log.retry import TRIES, retry_on_conflict
from scheduling.log.store import VersionConflict


class Racer:
    """Loses so many races, then wins."""

    def __init__(self, losses: int, lost: Exception | None = None) -> None:
        self.losses, self.lost, self.tries = losses, lost or VersionConflict("machine/wren-1", 3, 4, ()), 0

    def once(self) -> str:
        self.tries += 1
        if self.tries <= self.losses:
            raise self.lost
        return "won"


@pytest.mark.parametrize("losses", range(TRIES))
def test_it_is_done_again_until_it_wins_and_then_no_more(losses: int) -> None:
    racer = Racer(losses)
    assert retry_on_conflict(racer.once) == "won"
    assert racer.tries == losses + 1


def test_who_loses_every_time_is_told() -> None:
    racer = Racer(TRIES)
    with pytest.raises(VersionConflict, match="machine/wren-1"):
        retry_on_conflict(racer.once)
    assert racer.tries == TRIES


def test_another_failure_is_not_tried_again() -> None:
    racer = Racer(1, ValueError("the disk is full"))
    with pytest.raises(ValueError, match="full"):
        retry_on_conflict(racer.once)
    assert racer.tries == 1
