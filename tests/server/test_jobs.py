"""The background jobs: in one loop, and safe to run twice."""

from __future__ import annotations

import threading
from collections.abc import Callable
from dataclasses import dataclass, field
from datetime import timedelta
from typing import Any

import pytest
from django.conf import settings
from django.db import connection
from django.test.utils import CaptureQueriesContext

from scheduling.log.models import Event, Notice, Segment
from server import jobs, own_work, wiring
from server.jobs import Job, run_loop, run_once
from tests.server.studio import IN_ORDER, Caller, HeldClock


@dataclass
class Counted:
    """A job that counts how often it ran, and ends the loop after so many times."""

    stop: threading.Event
    times: int
    fails: bool = False
    ran: list[float] = field(default_factory=list)

    def job(self, name: str, period_s: float, clock: HeldClock) -> Job:
        def run() -> int:
            self.ran.append(clock.elapsed())
            if len(self.ran) >= self.times:
                self.stop.set()
            if self.fails:
                raise OSError("the disk is full")
            return 1

        return Job(name, period_s, run)


class Advancing(threading.Event):
    """An event whose waiting moves a held clock instead of taking time."""

    def __init__(self, clock: HeldClock, step_s: float) -> None:
        super().__init__()
        self.clock, self.step_s = clock, step_s

    def wait(self, timeout: float | None = None) -> bool:
        self.clock.sleep(self.step_s)
        return self.is_set()


def test_each_job_runs_at_once_and_then_at_its_period(transactional_db: None, clock: HeldClock) -> None:
    stop = Advancing(clock, 5.0)
    often, seldom = Counted(stop, 7), Counted(stop, 100)
    run_loop([often.job("often", 30.0, clock), seldom.job("seldom", 60.0, clock)], clock, stop)
    assert often.ran == [0.0, 30.0, 60.0, 90.0, 120.0, 150.0, 180.0]
    assert seldom.ran == [0.0, 60.0, 120.0]


def test_a_job_that_fails_is_logged_and_stops_neither_itself_nor_the_others(
    transactional_db: None, clock: HeldClock, caplog: pytest.LogCaptureFixture
) -> None:
    stop = Advancing(clock, 5.0)
    failing, other = Counted(stop, 100, fails=True), Counted(stop, 3)
    run_loop([failing.job("failing", 30.0, clock), other.job("other", 30.0, clock)], clock, stop)
    assert len(failing.ran) == len(other.ran) == 3
    assert caplog.text.count("job failing failed; it is tried again in 30 s") == 3
    assert "the disk is full" in caplog.text


def test_running_once_says_how_it_went(transactional_db: None) -> None:
    assert run_once(Job("good", 1.0, lambda: 0))
    assert not run_once(Job("bad", 1.0, lambda: 1 // 0))
    assert not run_once(Job("somebody else's", 1.0, lambda: None))


def test_a_loop_that_is_told_to_stop_stops(clock: HeldClock) -> None:
    stop = threading.Event()
    stop.set()
    never = Counted(stop, 1)
    run_loop([never.job("never", 1.0, clock)], clock, stop)
    assert never.ran == []


def test_extending_twice_adds_nothing(furnished: Caller) -> None:
    events, segments = Event.objects.count(), Segment.objects.count()
    assert jobs.extend() == 0
    assert (Event.objects.count(), Segment.objects.count()) == (events, segments)


@pytest.mark.parametrize("told_to", [[], ["desk@studio.example"]])
def test_where_nothing_changes_no_job_writes(furnished: Caller, told_to: list[str]) -> None:
    """A commit each half a minute would be weeks of them, and each is one more place where the plug may be pulled."""
    recipients = [{"id": f"r{i}", "role": "studio", "email": email} for i, email in enumerate(told_to)]
    assert furnished.put("recipients?accept=true", {"recipients": recipients}).status_code == 200
    every = (*jobs.DRAWING, *jobs.WATCHING, *jobs.SENDING)
    for job in every:
        job.run()
    with CaptureQueriesContext(connection) as asked:
        for job in every:
            job.run()
    wrote = [one["sql"] for one in asked if one["sql"].startswith(("INSERT", "UPDATE", "DELETE", "REPLACE"))]
    assert len(asked) > 0 and wrote == []


def test_the_jobs_have_names_of_their_own(studio: Caller) -> None:
    for resource, body in IN_ORDER:
        studio.create(resource, body)
    every = (*jobs.DRAWING, *jobs.WATCHING, *jobs.SENDING)
    assert len({job.name for job in every}) == len(every) == 9
    assert [job.run() > 0 for job in every] == [True] + 8 * [False]
    assert Segment.objects.exists()


def test_how_often_each_is_done_stands_in_one_table() -> None:
    every = (*jobs.DRAWING, *jobs.WATCHING, *jobs.SENDING)
    assert {job.name: job.period_s for job in every} == settings.OWN_WORK_EVERY_S == {
        "extend-plans": 15.0,
        "redraw-plates": 60.0,
        "tidy-plates": 21_600.0,
        "take-snapshots": 60.0,
        "watch-silence": 30.0,
        "watch-openings": 300.0,
        "watch-store": 30.0,
        "look-amiss": 30.0,
        "send-messages": 30.0,
    }  # fmt: skip


def test_plates_are_drawn_for_a_minute_and_then_others_have_their_turn(
    furnished: Caller, clock: HeldClock, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Each of planning, planning one run, redrawing and tidying, which draw to the end what they are at."""
    given: list[Callable[[], bool]] = []
    for name, place in (("extend_plans", 4), ("extend_run", 5), ("redraw_lost", None), ("tidy_for_a_while", 5)):

        def kept(*of: Any, at: int | None = place, has_time: Callable[[], bool] | None = None, **more: Any) -> int:
            given.append(of[at] if at is not None else has_time)
            return 0

        monkeypatch.setattr(jobs, name, kept)
    jobs.extend(), jobs.extend_one("spring"), jobs.redraw(), jobs.tidy()
    assert [one() for one in given] == 4 * [True]
    clock.at += timedelta(seconds=59)
    assert [one() for one in given] == 4 * [True]
    clock.at += timedelta(seconds=1)
    assert [one() for one in given] == 4 * [False]


def watch_at(clock: HeldClock, minutes: float, listens: bool = True) -> int:
    """Let time pass, in which a server says that it listens if it does, and look for silences."""
    ends = clock.at + timedelta(minutes=minutes)
    while clock.at < ends:
        clock.at = min(clock.at + timedelta(seconds=20), ends)
        if listens:
            own_work.listen()
    return jobs.watch()


def test_a_server_that_comes_back_finds_no_machine_silent_that_it_could_not_hear(
    furnished: Caller, clock: HeldClock, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Neither alone nor in a fleet, where another process watches: each of these may be another one."""
    monkeypatch.setattr(wiring, "really_now", wiring.now)
    own_work.listen()
    assert watch_at(clock, 7 * 60, listens=False) == 0, "while nobody listens, nobody is found to be silent"
    own_work.listen()
    assert jobs.watch() == 0
    assert watch_at(clock, 15) == 0 and not Notice.objects.exists()
    assert watch_at(clock, 1, listens=False) == 1, "a server that begins anew within two minutes makes no pause"
    assert Notice.objects.get().kind == "silence"


def test_where_no_server_ever_said_that_it_listens_silences_are_found(furnished: Caller, clock: HeldClock) -> None:
    """As where another program than `dayroll serve` serves."""
    clock.at += timedelta(hours=7)
    assert jobs.watch() == 1


def test_how_long_it_listens_goes_by_the_servers_clock(clock: HeldClock, monkeypatch: pytest.MonkeyPatch) -> None:
    """On a clock that runs 60 times as fast, a silence of 15 minutes is one of 15 seconds that pass."""
    monkeypatch.setattr(HeldClock, "real_s", lambda self, seconds: seconds / 60.0)
    assert own_work.pause() == timedelta(seconds=7.5)
    monkeypatch.setattr(own_work, "listened_for", lambda pause, now: timedelta(seconds=10))
    assert own_work.listens_since() == clock.at - timedelta(minutes=10)
