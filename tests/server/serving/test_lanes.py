"""Who waits in a lane, and for how long, by a clock that is held."""

from __future__ import annotations

import threading
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass, field
from typing import Any

import pytest

from server.serving.lanes import Lane, Lanes
from tests.machines.node.test_end_to_end import wait_for


@dataclass
class Held:
    """A clock."""

    at_s: float = 1000.0

    def __call__(self) -> float:
        return self.at_s


@dataclass
class Asked:
    """A connection whose answer takes as long as the test wants."""

    path: str = "/"
    goes_on: threading.Event = field(default_factory=threading.Event)
    begun: bool = False
    done: bool = False

    @property
    def requests(self) -> list[Any]:
        return [self]

    def service(self) -> None:
        self.begun = True
        self.goes_on.wait(60.0)
        self.done = True

    def cancel(self) -> None:
        self.goes_on.set()


@contextmanager
def taken(clock: Held, threads: int) -> Iterator[tuple[Lane, list[Asked]]]:
    """A lane whose threads are all at something."""
    lane, busy = Lane(threads, clock), [Asked() for _ in range(threads)]
    try:
        for one in busy:
            assert lane.take(one)
        wait_for(lambda: all(one.begun for one in busy), "that every thread is taken")
        yield lane, busy
    finally:
        for one in busy:
            one.goes_on.set()
        lane.shutdown()


def let_through(lane: Lane, count: int) -> int:
    return sum(lane.take(Asked()) for _ in range(count))


@pytest.mark.parametrize(("threads", "an_answer_s", "most"), [(1, 1.0, 5), (4, 1.0, 20), (4, 0.01, 2000), (8, 5.0, 8)])
def test_as_many_wait_as_are_answered_in_five_seconds(threads: int, an_answer_s: float, most: int) -> None:
    with taken(Held(), threads) as (lane, _):
        lane.an_answer_s = an_answer_s
        assert let_through(lane, most + 100) == most
        assert lane.late() == []


def test_before_anything_is_known_of_the_time_an_answer_takes_all_may_wait() -> None:
    with taken(Held(), 2) as (lane, _):
        assert let_through(lane, 500) == 500


def test_who_waits_is_not_left_waiting_for_longer_than_five_seconds() -> None:
    clock = Held()
    with taken(clock, 1) as (lane, _):
        first, second = Asked(), Asked()
        assert lane.take(first)
        clock.at_s += 4.0
        assert lane.take(second)
        clock.at_s += 1.0
        assert lane.late() == []
        clock.at_s += 0.001
        assert lane.late() == [first]
        assert lane.late() == [], "each is told once"
        clock.at_s += 4.0
        assert lane.late() == [second]
        assert not (first.begun or second.begun), "no thread is taken"


def test_how_long_an_answer_takes_is_learnt_and_one_that_hangs_does_not_make_the_lane_refuse() -> None:
    lane = Lane(1, Held())
    for _ in range(300):
        lane.note(0.02)
    assert lane.an_answer_s == pytest.approx(0.02, rel=1e-3)
    lane.note(3600.0)
    assert lane.an_answer_s < 0.2
    for _ in range(300):
        lane.note(0.02)
    assert lane.an_answer_s == pytest.approx(0.02, rel=0.01)
    lane.shutdown()


def test_a_thread_that_is_free_answers_whatever_was_learnt() -> None:
    lane, one = Lane(1, Held()), Asked()
    lane.an_answer_s = 5.0
    assert lane.take(one)
    one.goes_on.set()
    wait_for(lambda: one.done, "the answer")
    lane.shutdown()


def test_nodes_and_pages_wait_apart() -> None:
    lanes = Lanes(2, 2)
    held = [Asked(path) for path in ("/", "/", "/api/v1/venues", "/api/v1/node/work", "/api/v1/plates/x.png")]
    lanes.pages.an_answer_s = 5.0
    for one in held:
        lanes.add_task(one)
    wait_for(
        lambda: [one.begun for one in held] == [True, True, False, True, True], "that each has a thread of its own"
    )
    more, too_many = Asked(), Asked()
    lanes.add_task(more)
    lanes.add_task(too_many)
    assert lanes.refused() == [too_many] and lanes.refused() == []
    for one in (*held, more):
        one.goes_on.set()
    wait_for(lambda: more.done and held[2].done, "their turn")
    lanes.shutdown()
