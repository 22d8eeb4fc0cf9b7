"""A busy computer is no excuse for what it has nothing to do with."""

from __future__ import annotations

import pytest

from server.demo.acceptance import Promise
from server.demo.verdict import verdict

IDLE, BUSY = [1.0, 0.95], [0.4, 0.35]


def promises(*broken: str) -> list[Promise]:
    names = (
        "planned-by-the-sky:heron-1",
        "every-column-once:heron-1",
        "paper-shows-the-plates:heron-1",
        "no-column-twice:heron-1",
        "nothing-lost:heron-1",
        "outage-skip:heron-1",
        "knife-follows-the-paper:heron-1",
        "columns-on-time",
        "prints-on-without-the-server",
        "views-rebuilt-are-equal",
    )
    assert set(broken) <= set(names)
    return [Promise(name, name not in broken, {}) for name in names]


def judged(found: list[Promise], shares: list[float], *, stood_still: bool = False) -> str:
    return verdict(found, shares, stood_still=stood_still)


def test_promises_that_hold_are_kept_however_busy_it_was() -> None:
    assert judged(promises(), BUSY) == judged(promises(), IDLE) == "kept"


@pytest.mark.parametrize("broken", ["columns-on-time", "outage-skip:heron-1", "nothing-lost:heron-1"])
def test_what_was_late_is_broken_only_where_there_was_time(broken: str) -> None:
    assert judged(promises(broken), IDLE) == "broken"
    assert judged(promises(broken), BUSY) == judged(promises(broken), IDLE, stood_still=True) == "too-busy"


@pytest.mark.parametrize("broken", ["no-column-twice:heron-1", "every-column-once:heron-1", "views-rebuilt-are-equal"])
def test_what_has_nothing_to_do_with_time_is_broken_always(broken: str) -> None:
    assert judged(promises(broken), BUSY) == judged(promises(broken), IDLE, stood_still=True) == "broken"
    assert judged(promises(broken, "columns-on-time"), BUSY) == "broken"
