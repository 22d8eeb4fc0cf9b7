"""A machine that prints, for the tests of the pages."""

from __future__ import annotations

from datetime import timedelta

import pytest

from tests.server.api.test_node_calls import work_of
from tests.server.studio import FAR_VENUE, Caller, HeldClock, printed


@pytest.fixture
def printing(node: Caller, furnished: Caller, clock: HeldClock) -> Caller:
    """The node has printed five segments, left out one, and prints the seventh."""
    furnished.create("venues", FAR_VENUE)
    work = work_of(node)
    entries = [printed(work, seq) for seq in range(1, 6)]
    sixth, seventh = work.segments[5:7]
    assert work.run is not None
    beyond = {"first_column": sixth.end_column, "paper": sixth.end_column - work.run.first_column}
    last = printed(work, 6) | {
        "segment": seventh.number,
        "columns": {"first": seventh.first_column, "end": seventh.end_column - 1},
        "columns_done": seventh.end_column - 1 - seventh.first_column,
        "paper_position": beyond["paper"],
    }
    clock.at = seventh.knots[-1] - timedelta(seconds=60)
    status = {
        "at": clock.at.isoformat(),
        "next_column": seventh.end_column - 1,
        "paper_position": beyond["paper"],
        "clock_error_s": 0.01,
        "knife_armed": True,
        "held_until": work.segments[-1].knots[-1].isoformat(),
    }
    answer = node.post("node/reports", {"epoch": 1, "entries": [*entries, last], "status": status})
    assert answer.json() == {"accepted_through": 6}, answer.content
    return node
