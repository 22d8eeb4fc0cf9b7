"""What a scrape tells, read by the parser of Prometheus's own client: who may ask, what is counted, how dear it is."""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterator, Mapping
from datetime import timedelta
from typing import Any

import pytest
from celery.signals import task_failure
from django.conf import settings
from django.db import DatabaseError, Error, InterfaceError, OperationalError, connection
from django.db.models import F
from django.test import Client
from django.test.utils import CaptureQueriesContext
from django.urls import get_resolver
from prometheus_client.parser import text_string_to_metric_families

from machines.protocol.messages import Work
from machines.serialization import structure
from scheduling.log.beside_telling import add_messages, note_failed
from scheduling.log.models import BrokenView, Heartbeat, Machine, Message, Run, Segment
from scheduling.log.store import last_position
from scheduling.outages.machine_state import machine_state
from scheduling.paper.printing_now import printing_now
from scheduling.queries.machine_context import machine_contexts
from server import celery_tasks, jobs, own_work, wiring
from server.accounts.principals import Grant
from server.celery import app
from server.metrics.tallies import job_failed, plate_was_drawn
from tests.server.conftest import enrol
from tests.server.keys import new_key
from tests.server.studio import PROFILE, Caller, HeldClock, changed, printed
from tests.server.test_query_numbers import add_machines

Samples = Mapping[tuple[str, frozenset[tuple[str, str]]], float]


def scrape(key: str | None = None) -> Samples:
    """Every sample by its name and labels."""
    answer = Client().get("/metrics", headers={"authorization": f"Bearer {key or new_key('watch')}"})
    assert answer.status_code == 200, answer.content
    families = text_string_to_metric_families(answer.content.decode())
    return {(one.name, frozenset(one.labels.items())): one.value for family in families for one in family.samples}


def of(samples: Samples, name: str, **labels: str) -> float:
    return samples[name, frozenset(labels.items())]


def by(samples: Samples, name: str, label: str) -> dict[str, float]:
    return {dict(labels)[label]: value for (one, labels), value in samples.items() if one == name}


@pytest.mark.parametrize("role", ["studio", "curator", "reader"])
def test_whoever_has_a_key_may_see_it(db: None, role: Any) -> None:
    answer = Client().get("/metrics", headers={"authorization": f"Bearer {new_key('watch', Grant(role))}"})
    assert (answer.status_code, answer["Cache-Control"]) == (200, "no-store")
    assert answer["Content-Type"].startswith("text/plain; version=")


def test_nobody_else_may(node: Caller, settings: Any) -> None:
    for is_open in (True, False):
        settings.OPEN_PAGES = is_open
        assert Client().get("/metrics").status_code == 401
        for token in ("studio_0_wrong", str(node.token)):
            assert Client().get("/metrics", headers={"authorization": f"Bearer {token}"}).status_code == 401
        assert (
            Client().post("/metrics", headers={"authorization": f"Bearer {new_key(f'{is_open}')}"}).status_code == 405
        )


def test_what_a_scraper_accepts_chooses_nothing(db: None) -> None:
    heads = {"authorization": f"Bearer {new_key('watch')}", "accept": "application/openmetrics-text;version=1.0.0"}
    assert Client().get("/metrics", headers=heads)["Content-Type"].startswith("text/plain")


def test_a_database_that_does_not_answer_is_no_mistake_of_ours(db: None, monkeypatch: pytest.MonkeyPatch) -> None:
    def gone(*_: object) -> None:
        raise OperationalError

    key = new_key("watch")
    monkeypatch.setattr("server.metrics.scraped.last_position", gone)
    assert Client().get("/metrics", headers={"authorization": f"Bearer {key}"}).status_code == 503


def test_requests_are_counted_by_what_answered_them(node: Caller) -> None:
    key, before = new_key("watch"), scrape(new_key("before"))
    tag = node.get("node/work")["ETag"]
    assert node.get("node/work", HTTP_IF_NONE_MATCH=tag).status_code == 304
    for path in ("/machines/no-such-1/now", "/machines/no-such-2/now", "/x/1", "/x/2"):
        assert Client().get(path).status_code == 404
    file = Client().get("/static/console/console.js")
    assert file.status_code == 200
    after = scrape(key)

    def more(view: str, status: str) -> float:
        labels = frozenset({("view", view), ("status", status)})
        return after.get(("dayroll_requests_total", labels), 0.0) - before.get(("dayroll_requests_total", labels), 0.0)

    assert (more("node-work", "200"), more("node-work", "304")) == (1, 1)
    assert (more("now", "404"), more("none", "404"), more("static", "200")) == (2, 2, 1)
    timed = of(after, "dayroll_request_seconds_count", view="node-work")
    assert timed - before.get(("dayroll_request_seconds_count", frozenset({("view", "node-work")})), 0.0) == 2
    file.close()  # which closes the connection to the database, too


def test_what_is_counted_by_has_an_end(db: None) -> None:
    """However many addresses somebody makes up."""
    names = set(all_names(get_resolver()))
    key = new_key("watch")
    for number in range(50):
        for path in (f"/{number}", f"/machines/{number}/now", f"/api/v1/x{number}", f"/static/{number}"):
            Client().get(path)
    assert by(scrape(key), "dayroll_request_seconds_count", "view").keys() <= names | {"static", "none"}


def all_names(within: Any) -> Iterator[str]:
    for one in within.url_patterns:
        if hasattr(one, "url_patterns"):
            yield from all_names(one)
        elif one.name:
            yield one.name


def test_every_address_has_a_name_that_is_counted() -> None:
    assert len(set(all_names(get_resolver()))) > 100


def test_reports_and_appends_are_counted(node: Caller, clock: HeldClock) -> None:
    before = scrape(new_key("before"))
    work = structure(node.get("node/work?horizon=PT168H").json(), Work)
    batch = {"epoch": 1, "entries": [printed(work, 1), printed(work, 2)]}
    clock.sleep(48 * 3600.0)
    for _ in range(2):  # the second time nothing is new
        assert node.post("node/reports", batch).status_code == 200
    after = scrape(new_key("after"))
    assert of(after, "dayroll_report_entries_total") - of(before, "dayroll_report_entries_total") == 4
    told = of(after, "dayroll_log_position") - of(before, "dayroll_log_position")
    assert of(after, "dayroll_appended_events_total") - of(before, "dayroll_appended_events_total") == told
    assert of(after, "dayroll_log_position") == last_position()
    waits, all_of_it = (f"dayroll_append_{name}seconds_sum" for name in ("wait_", ""))
    assert 0 < of(after, waits) - of(before, waits) < of(after, all_of_it) - of(before, all_of_it)


# Of what a page works out machine by machine, which is counted as one.
COUNTED = {"late": "printing", "recess": "printing"}


def states(now: Any) -> Counter[str]:
    """As the pages work it out."""
    found: Counter[str] = Counter()
    for context in machine_contexts(Machine.objects.filter(retired_at=None), now):
        kind = machine_state(context, printing_now(context)).kind
        begun = context.run is not None
        found["printing" if kind == "not-due" and begun else COUNTED.get(kind, kind)] += 1
    return found


def test_machines_are_counted_by_the_state_that_their_pages_say(furnished: Caller, clock: HeldClock) -> None:
    enrol(furnished)
    furnished.create("profiles", changed(PROFILE, "profile.knife", ...) | {"id": "owl"})
    add_machines(furnished, 2, 9)
    (first, *others) = Machine.objects.exclude(id="wren-2").filter(epoch__gt=0).order_by("id")
    held, silent, ended = others[:3]
    Machine.objects.filter(id=held.id).update(hold="asked")
    Machine.objects.filter(id=silent.id).update(silent_since=clock.at, last_reported_at=clock.at)
    Machine.objects.filter(id=ended.id).update(stopped_at=clock.at)
    Machine.objects.filter(id="wren-2").update(silent_since=clock.at)
    Heartbeat.objects.update_or_create(machine_id=first.id, defaults={"heard_at": clock.at, "status": {}})
    seen = set()
    for hours in (0, 1, 8, 24 * 400):
        clock.sleep(hours * 3600.0)
        counted = by(scrape(new_key(f"after {hours}")), "dayroll_machines", "state")
        assert {state: count for state, count in counted.items() if count} == states(clock.at), hours
        seen |= {state for state, count in counted.items() if count}
    assert seen == {"never-heard", "no-node", "not-due", "printing", "held", "silent", "ended"}


def test_whose_node_is_heard_needs_no_watch(node: Caller, clock: HeldClock) -> None:
    node.get("node/work")
    key = new_key("watch")
    assert of(scrape(key), "dayroll_machines_heard") == 1
    clock.sleep(wiring.silent_after().total_seconds() + 1)
    assert of(scrape(key), "dayroll_machines_heard") == 0
    assert by(scrape(key), "dayroll_machines", "state")["silent"] == 0, "which the watch would say"


def test_a_plan_that_ends_soon_is_counted(furnished: Caller, clock: HeldClock) -> None:
    key = new_key("watch")
    assert of(scrape(key), "dayroll_runs_planned_short") == 0
    Run.objects.update(end_column=F("end_column") + 10_000)
    last = Segment.objects.order_by("-number").first()
    assert last is not None
    clock.at = last.ends_at - timedelta(hours=25)
    assert of(scrape(key), "dayroll_runs_planned_short") == 0
    clock.at = last.ends_at - timedelta(hours=23)
    assert of(scrape(key), "dayroll_runs_planned_short") == 1


def test_own_work_tells_its_age_and_whether_that_is_late(
    db: None, clock: HeldClock, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(wiring, "really_now", lambda: clock.at)
    monkeypatch.setattr(own_work, "_kept", {})
    own_work.listen()
    clock.sleep(60.0)
    own_work.done("watch-silence")
    clock.sleep(100.0)
    key = new_key("watch")
    ages = by(scrape(key), "dayroll_job_success_age_seconds", "work")
    assert by(scrape(key), "dayroll_job_every_seconds", "work") == settings.OWN_WORK_EVERY_S
    assert ages == {name: 100 if name == "watch-silence" else 160 for name in own_work.ALLOWED}
    clock.sleep(20.0)
    late = {name for name, value in by(scrape(key), "dayroll_job_late", "work").items() if value}
    said = {one.name for one in own_work.late()} & set(own_work.ALLOWED)
    assert late == said == {"watch-store", "look-amiss", "send-messages"}


def test_what_any_process_draws_or_fails_at_is_counted_together(
    furnished: Caller, monkeypatch: pytest.MonkeyPatch
) -> None:
    key, before = new_key("watch"), scrape(new_key("before"))
    plate_was_drawn(2.5)
    plate_was_drawn(0.5)
    monkeypatch.setattr(jobs, "close_old_connections", lambda: None)  # the test's is still wanted
    jobs.run_once(jobs.Job("watch-silence", 30.0, lambda: 1 // 0))
    app.loader.import_default_modules()  # as a worker does
    task_failure.send(sender=celery_tasks.extend_run, exception=ValueError())
    after = scrape(key)
    assert of(before, "dayroll_plates_drawn_total") > 0, "the furnished studio has plates"
    assert of(after, "dayroll_plates_drawn_total") - of(before, "dayroll_plates_drawn_total") == 2
    assert of(after, "dayroll_drawing_seconds_total") - of(before, "dayroll_drawing_seconds_total") == pytest.approx(3)
    assert by(after, "dayroll_job_failures_total", "work") == dict.fromkeys(own_work.ALLOWED, 0) | {
        "watch-silence": 1,
        "extend-run": 1,
    }


@pytest.mark.parametrize("wrong", [DatabaseError, InterfaceError])  # the second: the connection is gone
def test_a_count_that_cannot_be_written_fails_nothing(
    db: None, monkeypatch: pytest.MonkeyPatch, caplog: pytest.LogCaptureFixture, wrong: type[Error]
) -> None:
    def locked(**_: object) -> None:
        raise wrong("database is locked")

    monkeypatch.setattr("server.metrics.models.Tally.objects.get_or_create", locked)
    job_failed("watch-silence")
    assert "cannot be counted: database is locked" in caplog.text


def test_messages_are_counted_by_what_becomes_of_them(studio: Caller, clock: HeldClock) -> None:
    made = {"what": "test", "way": "email", "next_at": clock.at}
    add_messages([Message(id=f"{number}", made_at=clock.at, **made) for number in range(4)])
    Message.objects.filter(id="0").update(sent_at=clock.at)
    Message.objects.filter(id__in=["1", "2"]).update(claim="c")
    note_failed("1", "c", "no such host", next_at=None, at=clock.at)
    note_failed("2", "c", "no such host", next_at=clock.at, at=clock.at)
    clock.sleep(90.0)
    samples = scrape(str(studio.token))
    counted = {name: of(samples, f"dayroll_messages_{name}") for name in ("waiting", "troubled", "failed")}
    assert counted == {"waiting": 2, "troubled": 1, "failed": 1}
    assert of(samples, "dayroll_messages_oldest_seconds") == 90


def test_the_store_tells_its_size_and_what_stands_still(studio: Caller, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(wiring, "free_room", lambda: 5_000_000)
    BrokenView.objects.create(view="runs", position=7, problem="no such column")
    samples = scrape(str(studio.token))
    assert of(samples, "dayroll_disk_free_bytes") == 5_000_000
    assert of(samples, "dayroll_views_set_aside") == 1
    assert of(samples, "dayroll_runs_planned_short") == 0, "which cannot be told then"
    assert of(samples, "dayroll_database_bytes") > 100_000


QUESTIONS = 13


@pytest.mark.usefixtures("clock")
def test_a_scrape_asks_as_often_for_many_machines_as_for_one(furnished: Caller) -> None:
    furnished.create("profiles", changed(PROFILE, "profile.knife", ...) | {"id": "owl"})
    asked = []
    for first, end in ((2, 2), (2, 12)):
        add_machines(furnished, first, end)
        scrape(str(furnished.token))
        with CaptureQueriesContext(connection) as queries:
            scrape(str(furnished.token))
        asked.append(len(queries))
    assert asked == [QUESTIONS, QUESTIONS]


@pytest.mark.postgres
@pytest.mark.django_db(databases=["default", "postgres"])
def test_postgresql_takes_the_same_questions(monkeypatch: pytest.MonkeyPatch) -> None:
    from django.db import connections

    from scheduling.outages import machine_counts as counts
    from server.metrics import scraped

    now = wiring.now()
    monkeypatch.setattr(counts, "DEFAULT_DB_ALIAS", "postgres")
    monkeypatch.setattr(counts, "connection", connections["postgres"])
    monkeypatch.setattr(scraped, "connection", connections["postgres"])
    assert sum(counts.machine_counts(now, now).by_state.values()) == 0
    assert scraped.database_bytes() > 1_000_000
