"""The store of plates and uploads is gone, comes back, or comes back empty: a real one, and what becomes of it."""

from __future__ import annotations

from collections.abc import Callable
from datetime import timedelta

import pytest
from django.contrib.auth.models import User
from django.test import Client

from scheduling.background import extend_plans as extending
from scheduling.background.own_work import failed_runs
from scheduling.background.redraw_plates import redraw_lost
from scheduling.log.models import Segment
from scheduling.rendering import object_files
from scheduling.rendering.kept_files import StoreAway
from scheduling.rendering.object_files import ObjectFiles
from scheduling.rendering.plate_store import PlateStore
from scheduling.rendering.upload_store import UploadStore
from scheduling.telling.amiss import amiss_now
from server import celery_tasks, jobs, own_work, wiring
from server.jobs import run_once
from tests.server.api.test_bad_input import problem
from tests.server.api.test_node_calls import work_of
from tests.server.api.test_uploads import PNG
from tests.server.studio import IN_ORDER, Caller, HeldClock, printed
from tests.services import BUCKET, KEY, SECRET, Objects

(WATCH,) = (job for job in jobs.WATCHING if job.name == "watch-store")
PLAN, DRAW_LOST, TIDY, _ = jobs.DRAWING


@pytest.fixture(autouse=True)
def _one_connection(monkeypatch: pytest.MonkeyPatch) -> None:
    """A loop closes those that are old: here they are in the test's transaction."""
    monkeypatch.setattr(jobs, "close_old_connections", lambda: None)


@pytest.fixture
def empty(studio: Caller, objects: Objects, monkeypatch: pytest.MonkeyPatch) -> Objects:
    """The server's store, with nothing in it yet."""
    monkeypatch.setattr(object_files, "REST_S", 0.0)
    given = {"bucket_name": BUCKET, "access_key": KEY, "secret_key": SECRET, "endpoint_url": objects.endpoint}
    plates = PlateStore(ObjectFiles(location="plates", **given))
    uploads = UploadStore(ObjectFiles(location="uploads", **given))
    monkeypatch.setattr(wiring, "plates", lambda: plates)
    monkeypatch.setattr(wiring, "uploads", lambda: uploads)
    return objects


@pytest.fixture
def store(furnished: Caller, empty: Objects) -> Objects:
    """The same, with every plate of the furnished studio that was planned."""
    assert redraw_lost(wiring.plates(), wiring.uploads())
    return empty


def test_a_node_is_told_when_to_ask_again_and_everything_else_of_it_goes_on(
    node: Caller, store: Objects, clock: HeldClock
) -> None:
    work = work_of(node)
    path = f"plates/{work.plates[0]}.png"
    assert node.get(path).status_code == 200
    store.end()
    clock.at += timedelta(hours=12)
    answer = node.get(path)
    told = problem(answer, 503)
    assert (told["type"], told["plate"]) == ("/api/v1/problems/store-away", work.plates[0])
    assert answer["Retry-After"] == "30"
    assert node.get("node/work?horizon=PT24H").status_code == 200
    assert node.post("node/reports", {"epoch": 1, "entries": [printed(work, 1)]}).status_code == 200
    store.begin()
    answer = node.get(path)  # it came back empty
    assert problem(answer, 503)["type"] == "/api/v1/problems/plate-gone"
    assert run_once(DRAW_LOST)
    assert node.get(path).status_code == 200


def test_it_is_said_by_the_first_page_readiness_and_what_people_are_told_until_it_is_back(
    store: Objects, clock: HeldClock, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(wiring, "really_now", wiring.now)
    monkeypatch.setattr(own_work, "_kept", {})
    person = Client()
    person.force_login(User.objects.create_superuser("keeper"))

    every = (
        celery_tasks.watch_silence, celery_tasks.watch_openings, celery_tasks.look_amiss, celery_tasks.send_messages,
    )  # fmt: skip

    def pass_minutes(minutes: int) -> None:
        for _ in range(minutes):
            clock.at += timedelta(minutes=1)
            own_work.listen()
            for task in every:
                task()
            if run_once(WATCH):
                own_work.done(WATCH.name)

    own_work.listen()
    pass_minutes(5)
    assert own_work.late() == ()
    store.end()
    pass_minutes(2)
    assert own_work.late() == ()
    pass_minutes(1)
    assert [one.name for one in own_work.late()] == ["watch-store"]
    assert "Plates and uploads cannot be kept or read, for all that" in person.get("/").content.decode()
    assert person.get("/readyz").content.startswith(b"ready\nlate:")
    assert [one.kind for one in amiss_now(clock.at, wiring.plates(), None, own_work.late()).amiss] == ["work"]
    store.begin()
    pass_minutes(1)
    assert own_work.late() == ()


PAGES = ["/", "/machines/wren-1", "/runs/spring", "/venues/quay/today"]


@pytest.mark.parametrize("path", PAGES)
def test_pages_are_shown_without_it(store: Objects, path: str) -> None:
    person = Client()
    person.force_login(User.objects.create_superuser("keeper"))
    there = person.get(path)
    store.end()
    assert there.status_code == 200
    assert person.get(path).status_code == 200


def test_an_upload_is_refused_for_now_and_not_for_good(furnished: Caller, store: Objects) -> None:
    store.end()
    for _ in range(2):
        answer = furnished.post("uploads", PNG, content_type="image/png")
        assert problem(answer, 503)["type"] == "/api/v1/problems/store-away"
        assert answer["Retry-After"] == "30"
    store.begin()
    assert furnished.post("uploads", PNG, content_type="image/png").status_code == 201


def test_who_plans_blames_no_run_draws_nothing_in_vain_and_goes_on_when_it_is_back(
    studio: Caller, empty: Objects, monkeypatch: pytest.MonkeyPatch, caplog: pytest.LogCaptureFixture
) -> None:
    for resource, body in IN_ORDER:
        studio.create(resource, body)
    drawn: list[object] = []
    empty.end()
    with monkeypatch.context() as patch:
        patch.setattr(extending, "plate_under", lambda *given: drawn.append(given))
        for plan in (jobs.drawing()[0], PLAN):
            assert not run_once(plan)
        with pytest.raises(StoreAway):
            celery_tasks.extend_run("spring")
    assert drawn == [] and not Segment.objects.exists()
    assert failed_runs() == set()
    assert "job extend-plans waits: the store does not answer" in caplog.text and "Traceback" not in caplog.text
    empty.begin()
    assert run_once(PLAN)
    assert Segment.objects.exists()
    assert list(wiring.plates().missing(Segment.objects.values_list("plate", flat=True))) == []


@pytest.mark.parametrize("job", [DRAW_LOST, TIDY, WATCH], ids=lambda job: str(job.name))
def test_what_stands_on_it_waits_and_says_so_in_a_line(
    store: Objects, job: jobs.Job, caplog: pytest.LogCaptureFixture
) -> None:
    store.end()
    assert not run_once(job)
    assert f"job {job.name} waits: the store does not answer" in caplog.text and "Traceback" not in caplog.text
    store.begin()
    assert run_once(job)


@pytest.mark.parametrize("task", ["extend_run", "redraw_plates", "tidy_plates", "watch_store"])
def test_in_a_fleet_it_is_an_error_that_is_expected(task: str) -> None:
    found: Callable[..., None] = getattr(celery_tasks, task)
    assert StoreAway in found.throws  # type: ignore[attr-defined]  # Celery's
