"""What must hold after each fault, whatever it was: nothing that was acknowledged is lost, nothing is there twice."""

from __future__ import annotations

from machines.node.sync.failures import Refused, Unreachable
from tests.server.living import House, Reporter

# What whoever asked in vain was told: that it helps to ask again.
AGAIN = (503, 507)


def require_nothing_lost(house: House, board: Reporter) -> None:
    """Each entry of the journal is in the log once, in order, and every link of it holds. The server is up."""
    last = board.tell_all()
    assert house.told() == list(range(1, last + 1))
    assert "every link holds" in house.command("log", "verify")
    said = house.command("log", "rebuild", "--compare-only")
    assert said.count("  equal\n") == len(said.splitlines())


def require_only_asked_to_wait(board: Reporter) -> None:
    """Whatever failed was no answer at all, or one that says when to ask again, or that there is no room."""
    for failure in board.failures:
        if isinstance(failure, Refused):
            assert failure.status in AGAIN, failure
            assert failure.status == 507 or failure.retry_after_s, failure
        else:
            assert isinstance(failure, Unreachable), failure
