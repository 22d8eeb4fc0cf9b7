"""That the server does not do what it does by itself is seen, and by nothing that works by itself."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from contextlib import suppress
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta

import pytest
from celery import Celery
from celery.signals import heartbeat_sent, worker_ready
from django.contrib.auth.models import User
from django.db import (
    DatabaseError,
    DataError,
    Error,
    InterfaceError,
    InternalError,
    OperationalError,
    ProgrammingError,
    connections,
)
from django.test import Client

from scheduling.background.own_work import LateWork
from scheduling.log.claims import claimed
from scheduling.log.models import OwnWork, Run, Segment
from scheduling.telling.amiss import Amiss, amiss_now
from scheduling.telling.matters import PRESSING
from server import celery_drawers, celery_tasks, jobs, own_work, wiring
from server.celery import app
from server.console.own_work import SENTENCES, late_in_words
from server.jobs import run_loop, run_once
from tests.server.studio import IN_ORDER, Caller, HeldClock
from tests.server.test_jobs import Advancing, Counted

BEGUN = datetime(2026, 3, 21, 12, 0, tzinfo=UTC)
pytestmark = pytest.mark.django_db


@dataclass
class Passing:
    """Time that really passes, as a test says."""

    at: datetime = BEGUN

    def minutes(self, number: float, listens: bool = True) -> None:
        """So many, in which a server says at least every minute that it listens, unless there is none."""
        ends = self.at + timedelta(minutes=number)
        while self.at < ends:
            self.at = min(self.at + timedelta(minutes=1), ends)
            if listens:
                own_work.listen()


@pytest.fixture
def passing(monkeypatch: pytest.MonkeyPatch) -> Iterator[Passing]:
    time = Passing()
    monkeypatch.setattr(wiring, "really_now", lambda: time.at)
    monkeypatch.setattr(own_work, "_kept", {})
    yield time


@pytest.fixture
def unplanned(studio: Caller) -> Caller:
    """A studio whose run nobody has planned yet."""
    for resource, body in IN_ORDER:
        studio.create(resource, body)
    return studio


def names() -> list[str]:
    return [one.name for one in own_work.late()]


def test_each_job_has_its_pause_and_its_sentence() -> None:
    every = (*jobs.DRAWING, *jobs.WATCHING, *jobs.SENDING)
    pauses = dict.fromkeys(("extend-plans", "redraw-plates", "tidy-plates", "take-snapshots"), 35)
    assert {
        job.name: timedelta(seconds=job.period_s, minutes=pauses.get(job.name, 1.5)) for job in every
    } == own_work.ALLOWED
    assert SENTENCES.keys() == {*own_work.ALLOWED, "listen", "plan-run", "draw"}


def test_what_is_done_every_half_a_minute_is_late_two_minutes_after_it_was_done_last(passing: Passing) -> None:
    own_work.listen()
    for name in own_work.ALLOWED:
        own_work.done(name)
    passing.minutes(2)
    assert names() == []
    passing.minutes(1 / 60)
    assert names() == ["watch-silence", "watch-store", "look-amiss", "send-messages"]


def test_a_drawer_that_is_gone_is_late_within_two_minutes_and_one_that_never_was_is_not(passing: Passing) -> None:
    own_work.listen()
    passing.minutes(5)
    assert "draw" not in names()
    own_work.done("draw")
    passing.minutes(1.8)
    assert "draw" not in names()
    passing.minutes(0.1)
    assert "draw" in names()
    own_work.done("draw")
    assert "draw" not in names()


def test_a_drawer_is_expected_anew_where_nobody_listened_and_no_more_where_the_server_draws(passing: Passing) -> None:
    own_work.listen()
    own_work.done("draw")
    passing.minutes(60, listens=False)
    own_work.listen()
    assert "draw" not in names()
    passing.minutes(2)
    assert "draw" in names()
    own_work.draws_itself()
    passing.minutes(2)
    assert "draw" not in names()


@dataclass(frozen=True)
class Worker:
    """One that is ready, as far as who hears of it looks."""

    app: Celery


def test_only_a_worker_that_takes_what_is_to_be_drawn_says_that_it_draws(
    passing: Passing, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(connections, "close_all", lambda: None)  # the test's is still wanted
    app.loader.import_default_modules()  # as a worker does
    for queue, says in (("messages", False), ("plates", True)):
        worker = Worker(Celery(queue, set_as_current=False))
        worker.app.amqp.queues.select([queue])
        try:
            worker_ready.send(sender=worker)
            heartbeat_sent.send(sender=None)
        finally:
            heartbeat_sent.disconnect(celery_drawers._say)
        assert OwnWork.objects.filter(name="draw").exists() is says


def test_what_nobody_does_is_late_within_minutes_and_drawing_within_the_hour(passing: Passing) -> None:
    own_work.listen()
    passing.minutes(2)
    assert names() == []
    passing.minutes(2)
    assert names() == ["watch-silence", "watch-store", "look-amiss", "send-messages"]
    passing.minutes(4)
    assert "watch-openings" in names() and "extend-plans" not in names()
    passing.minutes(30)
    assert names() == [name for name in own_work.ALLOWED if name != "tidy-plates"]
    passing.minutes(6 * 60)
    assert names() == list(own_work.ALLOWED)
    assert {one.since for one in own_work.late()} == {BEGUN}


def test_what_was_done_is_late_since_then_and_no_more_once_it_is_done_again(passing: Passing) -> None:
    own_work.listen()
    passing.minutes(1)
    own_work.done("watch-silence")
    passing.minutes(3.6)
    (late,) = (one for one in own_work.late() if one.name == "watch-silence")
    assert late.since == BEGUN + timedelta(minutes=1)
    own_work.done("watch-silence")
    assert "watch-silence" not in names()


def test_a_server_that_was_off_says_nothing_of_that_time(passing: Passing) -> None:
    own_work.listen()
    own_work.done("watch-silence")
    passing.minutes(600, listens=False)
    own_work.listen()
    assert names() == []
    passing.minutes(3)
    (late,) = (one for one in own_work.late() if one.name == "watch-silence")
    assert late.since == BEGUN, "it is told since when it really was not done"


def test_one_more_server_or_one_that_is_put_in_anothers_place_takes_no_lateness_away(passing: Passing) -> None:
    """As of a fleet that is brought up to date one part after the other, while nobody watches."""
    own_work.listen()
    passing.minutes(5)
    assert "watch-silence" in names()
    own_work.listen()
    assert "watch-silence" in names()
    passing.minutes(1.9, listens=False)
    own_work.listen()
    assert "watch-silence" in names()


def test_work_that_an_update_brings_is_expected_from_then_on(passing: Passing) -> None:
    own_work.listen()
    OwnWork.objects.filter(name="look-amiss").delete()
    passing.minutes(4)
    assert "look-amiss" in names() and OwnWork.objects.get(name="look-amiss").expected_since > BEGUN


def test_that_nobody_listens_is_seen_by_whoever_else_looks(passing: Passing) -> None:
    own_work.listen()
    passing.minutes(2, listens=False)
    assert "listen" not in names()
    passing.minutes(1, listens=False)
    assert LateWork("listen", BEGUN) in own_work.late()
    own_work.listen()
    assert "listen" not in names()


def test_it_is_not_written_more_often_than_it_need_be(passing: Passing) -> None:
    own_work.done("look-amiss")
    passing.minutes(0.3)
    own_work.done("look-amiss")
    assert OwnWork.objects.get(name="look-amiss").done_at == BEGUN
    passing.minutes(0.1)
    own_work.done("look-amiss")
    assert OwnWork.objects.get(name="look-amiss").done_at == BEGUN + timedelta(minutes=0.4)
    passing.at = BEGUN - timedelta(days=1)  # the clock was set back
    own_work.done("look-amiss")
    assert OwnWork.objects.get(name="look-amiss").done_at == BEGUN - timedelta(days=1)


WRONGS = (OperationalError, ProgrammingError, InternalError, InterfaceError, DataError, DatabaseError)


@pytest.mark.parametrize("wrong", WRONGS)
def test_where_it_cannot_be_written_nothing_else_stops(
    passing: Passing, monkeypatch: pytest.MonkeyPatch, caplog: pytest.LogCaptureFixture, wrong: type[Error]
) -> None:
    def refused(*given: object) -> None:
        raise wrong("the database says no")

    monkeypatch.setattr(own_work, "keep_own_work", refused)
    monkeypatch.setattr(own_work, "keep_listening", refused)
    own_work.listen()
    own_work.done("look-amiss")
    assert caplog.text.count("the database says no") == 2


@pytest.mark.django_db(transaction=True)
def test_a_loop_goes_on_where_the_table_is_gone(
    passing: Passing, clock: HeldClock, monkeypatch: pytest.MonkeyPatch, caplog: pytest.LogCaptureFixture
) -> None:
    """As beside a program of before, or a database that was put back: whatever the database answers."""
    # The framework keeps a table's name from the first time that it asks, for all tests after.
    list(OwnWork.objects.all())
    monkeypatch.setattr(OwnWork._meta, "db_table", "log_nowhere")
    stop = Advancing(clock, 5.0)
    well = Counted(stop, 3)
    run_loop([well.job("look-amiss", 30.0, clock)], clock, stop)
    assert len(well.ran) == 3
    assert caplog.text.count("no such table: log_nowhere") == 3


@pytest.mark.django_db(transaction=True)
def test_a_loop_keeps_what_went_well_and_not_what_failed(passing: Passing, clock: HeldClock) -> None:
    stop = Advancing(clock, 5.0)
    well, failing = Counted(stop, 3), Counted(stop, 100, fails=True)
    run_loop([well.job("look-amiss", 30.0, clock), failing.job("watch-silence", 30.0, clock)], clock, stop)
    assert set(OwnWork.objects.values_list("name", flat=True)) == {"look-amiss"}


@pytest.mark.parametrize(
    "task", ["extend_plans", "redraw_plates", "watch_silence", "watch_openings", "look_amiss", "send_messages"]
)
def test_a_task_of_a_fleet_keeps_it_too(passing: Passing, studio: Caller, task: str) -> None:
    getattr(celery_tasks, task)()
    assert [row.name for row in OwnWork.objects.all()] == [task.replace("_", "-")]


@pytest.fixture
def queued(monkeypatch: pytest.MonkeyPatch) -> list[str]:
    """The runs that were asked to be planned, of a fleet in which nobody fetches them yet."""
    asked: list[str] = []
    monkeypatch.setattr(celery_tasks.extend_run, "apply_async", lambda of, **how: asked.extend(of))
    return asked


def test_a_fleet_in_which_nobody_draws_is_seen(passing: Passing, unplanned: Caller, queued: list[str]) -> None:
    """Whoever asks what is due goes on asking, and that is not that it is done."""
    own_work.listen()
    for _ in range(4 * 36):
        passing.minutes(0.25)
        celery_tasks.extend_plans()
    assert len(queued) == 4 * 36 and "extend-plans" in names()
    celery_tasks.extend_run(queued[-1])
    assert "extend-plans" not in names()
    passing.minutes(36)
    celery_tasks.extend_plans()
    assert len(queued) == 4 * 36 and "extend-plans" not in names(), "where nothing is due, nothing is late"


def test_a_run_that_somebody_else_plans_is_not_done_yet(passing: Passing, unplanned: Caller) -> None:
    with claimed("plan spring"):
        celery_tasks.extend_run("spring")
    assert not OwnWork.objects.exists()
    celery_tasks.extend_run("spring")
    assert OwnWork.objects.get().name == "extend-plans"


def broken_run(studio: Caller) -> str:
    """One more that is due, and of which nothing can be planned."""
    run = next(body for resource, body in IN_ORDER if resource == "runs")
    machine = next(body for resource, body in IN_ORDER if resource == "machines")
    studio.create("machines", machine | {"id": "lost-1", "name": "Lost"})
    studio.create("runs", run | {"id": "lost", "machine": "lost-1"})
    Run.objects.filter(id="lost").update(cycle="fortnight")
    return "lost"


def plan_alone() -> None:
    """As the thread of an embedded server plans, which notes what went well."""
    (plan, *_) = jobs.drawing()
    if run_once(plan):
        own_work.done(plan.name)


def plan_in_a_fleet() -> None:
    for run in jobs.due():
        with suppress(Exception):
            celery_tasks.extend_run(run)


@pytest.mark.django_db(transaction=True)
@pytest.mark.parametrize("plan", [plan_alone, plan_in_a_fleet])
def test_a_run_that_cannot_be_planned_is_told_apart_from_that_nobody_plans(
    passing: Passing, unplanned: Caller, clock: HeldClock, plan: Callable[[], None]
) -> None:
    own_work.listen()
    failing = broken_run(unplanned)
    for day in range(3):
        for _ in range(41):
            passing.minutes(1)
            plan()
        expected = [LateWork("plan-run", BEGUN + timedelta(minutes=1), (failing,))]
        assert [one for one in own_work.late() if "plan" in one.name] == expected, day
        clock.at += timedelta(days=1)  # the other run is planned on meanwhile
    assert Segment.objects.filter(run_id="spring").exists()
    Run.objects.filter(id=failing).update(cycle="apparent-solar-day")
    plan()
    assert not [one for one in own_work.late() if "plan" in one.name]


def test_a_run_that_is_called_off_or_planned_to_its_end_is_late_no_more(passing: Passing, unplanned: Caller) -> None:
    for run in ("spring", "unknown"):
        own_work.tried(run, OSError("the disk is full"))
    assert names() == []
    passing.minutes(3)
    assert own_work.late() == (LateWork("plan-run", BEGUN, ("spring",)),)
    Run.objects.update(withdrawn_at=BEGUN)
    assert names() == []


def test_many_runs_that_cannot_be_planned_are_one_sentence(passing: Passing, monkeypatch: pytest.MonkeyPatch) -> None:
    of = {
        1: "Of run r0 nothing",
        5: "Of runs r0, r1, r2, r3, r4 nothing",
        7: "Of runs r0, r1, r2, r3, r4 and 2 more nothing",
    }
    for number, begins in of.items():
        late = LateWork("plan-run", BEGUN, tuple(f"r{one}" for one in range(number)))
        monkeypatch.setattr("server.console.own_work.late", lambda late=late: (late,))
        (said,) = late_in_words()
        assert said == f"{begins} more could be planned since 12:00 on Sat 21 Mar 2026 UTC. The server's log says why."


def test_a_task_keeps_nothing_of_what_somebody_else_is_at(passing: Passing, studio: Caller) -> None:
    with claimed("redraw lost plates"):
        celery_tasks.redraw_plates()
    assert not OwnWork.objects.exists()


def test_the_first_page_says_it_without_any_job(passing: Passing, studio: Caller) -> None:
    person = Client()
    person.force_login(User.objects.create_superuser("keeper"))
    own_work.listen()
    assert "Nobody has watched" not in person.get("/").content.decode()
    passing.minutes(5)
    page = person.get("/").content.decode()
    assert "Nobody has watched for boards that fall silent since 12:00 on Sat 21 Mar 2026 UTC." in page
    assert "starts again what stands still" in page


def test_who_asks_whether_it_is_ready_is_told_and_not_sent_away(
    passing: Passing, caplog: pytest.LogCaptureFixture
) -> None:
    own_work.listen()
    assert Client().get("/readyz").content == b"ready\n"
    passing.minutes(5)
    for _ in range(2):
        answer = Client().get("/readyz")
        assert (answer.status_code, answer.content.splitlines()[0]) == (200, b"ready")
        assert b"late: the server's own work" in answer.content and b"watch-silence" not in answer.content
    assert caplog.text.count("watch-silence, watch-store, look-amiss, send-messages") == 1


def test_the_studio_is_told_by_whoever_still_looks(passing: Passing, clock: HeldClock) -> None:
    own_work.listen()
    passing.minutes(5)
    looked = amiss_now(clock.at, wiring.plates(), None, own_work.late())
    assert looked.amiss == (Amiss(kind="work", since=BEGUN),)
    assert looked.amiss[0].key == "work/server"
    assert "work" in PRESSING
    assert amiss_now(clock.at, wiring.plates(), None, ()).amiss == ()
