"""Virtual time: events in order, tasks that sleep, are woken, end and die."""

from __future__ import annotations

import math
from collections.abc import Callable

import pytest

from tests.simulated.world import Crash, Fuse, Task, VirtualClock, World


def ended_by(found: list[BaseException | None]) -> Callable[[BaseException | None], None]:
    return found.append


def test_events_happen_in_order_and_those_of_an_instant_as_they_were_said() -> None:
    world, seen = World(100.0), list[str]()
    world.at(105.0, lambda: seen.append("late"))
    world.at(101.0, lambda: seen.append("first"))
    world.at(101.0, lambda: seen.append("second"))
    world.at(90.0, lambda: seen.append("now"))
    world.run(104.0)
    assert seen == ["now", "first", "second"]
    assert world.now == 104.0
    world.run(200.0, lambda: len(seen) == 4)
    assert (seen[-1], world.now) == ("late", 105.0)


def test_a_task_sleeps_until_its_time_and_ends_by_itself() -> None:
    world, seen, ends = World(0.0), list[float](), list[BaseException | None]()
    clock = VirtualClock(world)

    def body() -> None:
        for _ in range(3):
            clock.sleep(10.0)
            seen.append(world.now)

    task = Task(world, body, ended_by(ends))
    world.run(25.0)
    assert (seen, task.is_over) == ([10.0, 20.0], False)
    world.run(100.0)
    assert (seen, ends, task.is_over) == ([10.0, 20.0, 30.0], [None], True)


def test_news_wakes_who_looks_every_now_and_then_and_nobody_else() -> None:
    world, seen = World(0.0), list[tuple[str, float]]()
    clock = VirtualClock(world)

    def sleeper(name: str, at_most_real_s: float) -> Callable[[], None]:
        def body() -> None:
            clock.sleep(60.0, at_most_real_s)
            seen.append((name, world.now))

        return body

    looking = Task(world, sleeper("looking", 0.2), lambda error: None)
    deaf = Task(world, sleeper("deaf", math.inf), lambda error: None)
    for task in (looking, deaf):
        world.at(5.0, task.wake)
    world.run(100.0)
    assert seen == [("looking", 5.0), ("deaf", 60.0)]


def test_news_for_who_is_awake_does_not_shorten_the_next_sleep() -> None:
    world, seen = World(0.0), list[float]()
    clock = VirtualClock(world)

    def body() -> None:
        clock.sleep(1.0, 0.2)
        task.wake()
        clock.sleep(10.0, 0.2)
        seen.append(world.now)

    task = Task(world, body, lambda error: None)
    world.run(100.0)
    assert seen == [11.0]


def test_a_task_that_is_killed_ends_where_it_stands_and_one_that_breaks_says_why() -> None:
    world, seen, ends = World(0.0), list[str](), list[BaseException | None]()
    clock = VirtualClock(world)

    def body() -> None:
        try:
            clock.sleep(10.0)
        finally:
            seen.append("unwound")

    task, unborn = Task(world, body, ended_by(ends)), None
    world.run(1.0)
    unborn = Task(world, body, ended_by(ends))
    for one in (task, unborn):
        one.kill()
        one.kill()
    world.run(100.0)
    assert (seen, ends, task.is_over, unborn.is_over) == (["unwound"], [], True, True)

    def breaks() -> None:
        raise ValueError("no such thing")

    Task(world, breaks, ended_by(ends))
    world.run(200.0)
    assert [str(error) for error in ends] == ["no such thing"]


def test_a_fuse_burns_at_its_place_and_once() -> None:
    fuse = Fuse()
    fuse.burn()
    fuse.left = 2
    fuse.burn()
    fuse.burn()
    with pytest.raises(Crash):
        fuse.burn()
    fuse.burn()
    assert fuse.places == 5
