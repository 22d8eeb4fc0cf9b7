"""A run rehearsed: 10,000 seasons of 180 days in arrays, against a plain Python loop of the same rules, which settles
each outage by the function that node and server settle with.

Both draw their seasons, too. The loop plays as many as take a second, and is scaled to all of them; what it plays is
compared with ours, of the same seasons, before anything is timed. Processor time is compared: both sides keep one core
busy, and what else the machine does is no part of it.
"""

from __future__ import annotations

import time
from collections.abc import Callable
from random import Random

import numpy as np

from machines.recovery import Limit, Policy
from scheduling.rehearsal.incidents import draw
from scheduling.rehearsal.play import play
from scheduling.rehearsal.season import Season
from scheduling.rehearsal.tallies import play_seasons
from tests.benchmarks.row import Row
from tests.scheduling.rehearsal.house import season
from tests.scheduling.rehearsal.plain_loop import draw_one, play_events, play_one

SEASONS, LOOPED, RUNS = 10_000, 200, 5
# What was missed is printed late while the doors are closed, after the half-printed segment: the rule that asks most.
POLICY = Policy(
    kind="replay-within", within=Limit(value=12.0, unit="hours"), half_printed="finish", only_while_closed=True
)


def rows() -> list[Row]:
    """The one."""
    return [rehearse()]


def rehearse() -> Row:
    """A season of a machine whose rule names closed hours and the half-printed segment."""
    one = season(POLICY)
    _agree(one)
    baseline = _least(lambda: _looped(one)) * SEASONS / LOOPED
    return Row("rehearse", baseline, _least(lambda: play_seasons(one, SEASONS, 1)), "s", 100.0)


def _looped(one: Season) -> None:
    chance = Random(1)
    for _ in range(LOOPED):
        play_events(one, draw_one(one, chance))


def _agree(one: Season) -> None:
    drawn = draw(one, 1, 0, 50)
    ours, theirs = play(one, drawn), [play_one(one, drawn, row) for row in range(50)]
    whole = np.sum([[seen[2] for seen in told.seen] for told in theirs], axis=0)
    alike = (
        np.allclose(ours.state.off_s, [told.off_s for told in theirs], atol=1e-3)
        and np.array_equal(ours.paper, [told.paper for told in theirs])
        and np.array_equal(ours.whole, whole)
    )
    if not alike:
        raise ArithmeticError("rehearse: the two sides differ; nothing was timed")


def _least(measured: Callable[[], object]) -> float:
    """The shortest of as many runs for either side."""
    durations = []
    for _ in range(RUNS):
        start = time.process_time()
        measured()
        durations.append(time.process_time() - start)
    return min(durations)
