"""A thousand boards, by arithmetic: when each of them calls, after an outage, after a refusal, and day by day.

What may be expected. A board asks every p seconds, and p is from 48 to 60, each as likely as any other; so in a second

    e = 1000 * ln(60 / 48) / 12 = 18.6

boards ask on any day: the even share. An outage begins and ends when it will, so each board meets it at a phase that
nobody chose. In the first second after it come those who would have come anyway, e; and those who failed in the second
before, which each board does once in p: e again. Whoever failed earlier waits p or longer from its second failure, and
within p fails for the first time once; so of these too there are e at most, and only once those who would have come
anyway are among them. That makes 2 e = 37.2 for one second, and no more. How many really come is chance (a sum of a
thousand rare events: Poisson, whose deviation is the root of the mean); four deviations are not exceeded in the
seconds that are looked at here: 2 e + 4 sqrt(2 e) = 61.6. A hundred times as many boards show the mean itself.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Callable
from itertools import pairwise
from math import log, sqrt
from random import Random

import pytest

from machines.chance import Chance
from machines.node.sync.client import backoff_s
from scheduling.nodes.pace import paced_s

BOARDS = 1000
POLL_S = 60.0
EVEN = BOARDS * log(60.0 / 48.0) / 12.0
MOST = 61


def chance(seed: object) -> Callable[[], float]:
    """As a node draws, of octets that follow from a seed."""
    return Chance(Random(str(seed)).randbytes).share


def poll_s(board: int) -> float:
    return paced_s(POLL_S, f"machine-{board}", 1)


def a_second(calls: list[float]) -> Counter[int]:
    return Counter(int(at_s) for at_s in calls)


def passes(tried_s: float, outage_s: float, until_s: float, board: int, share: Callable[[], float]) -> list[float]:
    """When a board whose pass is due at an instant of an outage, which begins at 0, is answered, up to an instant."""
    answered, failures = list[float](), 0
    while tried_s < until_s:
        if tried_s < outage_s:
            failures += 1
            tried_s += backoff_s(failures, None, share, poll_s(board))
        else:
            failures = 0
            answered.append(tried_s)
            tried_s += poll_s(board)
    return answered


def all_passes(boards: int, outage_s: float, seed: int) -> list[float]:
    """Those of so many boards, each at a phase of its own, in the ten minutes after an outage."""
    draw, until_s = chance(seed), outage_s + 600.0
    return [
        at_s
        for board in range(boards)
        for at_s in passes(draw() * poll_s(board), outage_s, until_s, board, chance((seed, board)))
    ]


def test_what_is_expected_is_what_was_worked_out() -> None:
    assert pytest.approx(18.6, abs=0.05) == EVEN
    assert int(2 * EVEN + 4 * sqrt(2 * EVEN)) == MOST


@pytest.mark.parametrize("outage_s", [0.5, 5.0, 20.0, 47.0, 60.0, 90.0, 120.0, 300.0, 3600.0, 86_400.0])
def test_after_an_outage_no_second_sees_more_than_twice_the_even_share(outage_s: float) -> None:
    seconds = a_second(all_passes(BOARDS, outage_s, 1))
    assert max(seconds.values()) <= MOST
    seconds.pop(int(outage_s))
    assert max(seconds.values()) <= 40, "but for the first: at most e, and five deviations"


@pytest.mark.parametrize("outage_s", [20.0, 60.0, 100.0])
def test_of_a_hundred_times_as_many_no_second_sees_more_either(outage_s: float) -> None:
    most = max(a_second(all_passes(20 * BOARDS, outage_s, 2)).values())
    assert most <= 20 * 2.0 * EVEN * 1.1, "chance adds a tenth at most"


@pytest.mark.parametrize("outage_s", [0.5, 20.0, 60.0, 300.0, 86_400.0])
def test_none_stays_away_for_longer_than_five_minutes(outage_s: float) -> None:
    draw = chance(3)
    for board in range(BOARDS):
        first_s = passes(draw() * poll_s(board), outage_s, outage_s + 600.0, board, chance((3, board)))[0]
        assert first_s - outage_s <= 300.0


def test_all_cut_off_in_the_same_second_come_back_apart() -> None:
    """As by a switch that fails while all of them ask; the second wait alone is a minute wide."""
    back = [passes(0.0, 3600.0, 4200.0, board, chance((4, board)))[0] for board in range(BOARDS)]
    assert max(a_second(back).values()) <= MOST


@pytest.mark.parametrize("asked_s", [5.0, 30.0])
def test_all_refused_in_the_same_second_keep_to_what_was_asked_and_come_evenly_within_as_long_again(
    asked_s: float,
) -> None:
    waits = [backoff_s(1, asked_s, chance((5, board)), POLL_S) for board in range(BOARDS)]
    assert asked_s <= min(waits) < 1.02 * asked_s and 1.98 * asked_s < max(waits) <= 2.0 * asked_s
    even = BOARDS / asked_s
    assert max(a_second(waits).values()) <= even + 4.0 * sqrt(even)


def test_refused_again_they_come_no_faster_than_on_any_other_day() -> None:
    waits = [backoff_s(2, 5.0, chance((6, board)), POLL_S) for board in range(BOARDS)]
    assert min(waits) >= 60.0 and max(waits) <= 120.0
    assert max(a_second(waits).values()) <= MOST


def test_begun_in_the_same_second_they_poll_evenly_within_the_hour() -> None:
    hour, calls = 3600.0, list[float]()
    for board in range(BOARDS):
        wait_s = poll_s(board)
        calls += [wait_s * number for number in range(int(3 * hour / wait_s))]
    later = [at_s for at_s in calls if hour <= at_s < 2 * hour]
    assert max(a_second(later).values()) <= 2 * len(later) / hour


def test_each_is_told_its_own_pace_always_the_same_and_none_a_longer_one() -> None:
    told = [poll_s(board) for board in range(BOARDS)]
    assert told == [poll_s(board) for board in range(BOARDS)]
    assert 48.0 <= min(told) < 48.5
    assert 59.5 < max(told) <= 60.0
    gaps = [later - sooner for sooner, later in pairwise(sorted(told))]
    assert max(gaps) < 0.3
    assert paced_s(POLL_S, "machine-1", 1) != paced_s(POLL_S, "machine-1", 2), "another board has another"


@pytest.mark.parametrize("longest_s", [0.0001, 0.01, 2.5, 86_400.0])
def test_no_pace_is_none(longest_s: float) -> None:
    assert 0.0 < paced_s(longest_s, "machine-1", 1) <= longest_s
