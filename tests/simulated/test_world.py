"""Virtual time: events in order, tasks that sleep, are woken, end and die."""

from __future__ import annotations

import math
from collections.abc import Callable

import pytest

from machines.node.waiting.news import News
from tests.simulated.world import Crash, Fuse, Task, VirtualNews, World


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

    def body() -> None:
        for _ in range(3):
            world.wait(10.0)
            seen.append(world.now)

    task = Task(world, body, ended_by(ends))
    world.run(25.0)
    assert (seen, task.is_over) == ([10.0, 20.0], False)
    world.run(100.0)
    assert (seen, ends, task.is_over) == ([10.0, 20.0, 30.0], [None], True)


def test_news_wakes_who_waits_for_them_and_nobody_else() -> None:
    world, seen = World(0.0), list[tuple[str, float]]()
    ours, others = VirtualNews(world), VirtualNews(world)

    def waiter(name: str, news: News, seconds: float) -> Callable[[], None]:
        def body() -> None:
            news.wait(news.told, seconds)
            seen.append((name, world.now))

        return body

    Task(world, waiter("told", ours, 60.0), lambda error: None)
    Task(world, waiter("in vain", ours, 2.0), lambda error: None)
    Task(world, waiter("of another process", others, 60.0), lambda error: None)
    world.at(5.0, ours.tell)
    world.run(100.0)
    assert seen == [("in vain", 2.0), ("told", 5.0), ("of another process", 60.0)]


def test_what_is_told_while_a_task_looks_is_not_missed_and_shortens_no_other_wait() -> None:
    world, seen = World(0.0), list[float]()
    news = VirtualNews(world)

    def body() -> None:
        told = news.told
        news.tell()
        news.wait(told, 10.0)
        seen.append(world.now)
        news.wait(news.told, 10.0)
        seen.append(world.now)

    Task(world, body, lambda error: None)
    world.run(100.0)
    assert seen == [0.0, 10.0]


def test_news_that_never_come_are_waited_for_without_an_end() -> None:
    world = World(0.0)
    news = VirtualNews(world)
    task = Task(world, lambda: news.wait(news.told, math.inf), lambda error: None)
    world.run(1e9)
    assert not task.is_over
    news.tell()
    world.run(2e9)
    assert task.is_over


def test_a_task_that_is_killed_ends_where_it_stands_and_one_that_breaks_says_why() -> None:
    world, seen, ends = World(0.0), list[str](), list[BaseException | None]()

    def body() -> None:
        try:
            world.wait(10.0)
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


def test_no_two_programs_start_in_the_same_instant() -> None:
    world, began = World(0.0), list[float]()

    def start() -> None:
        Task(world, lambda: began.append(world.now), lambda error: None, world.next_start())

    for instant in (10.0, 10.0, 10.0, 20.0):
        world.at(instant, start)
    world.run(100.0)
    assert began == pytest.approx([10.0, 10.001, 10.002, 20.0])


def test_a_fuse_burns_at_its_place_and_once() -> None:
    fuse = Fuse()
    fuse.burn()
    fuse.left = 2
    fuse.burn()
    fuse.burn()
    with pytest.raises(Crash):
        fuse.burn()
    fuse.burn()
    assert fuse.left is None
