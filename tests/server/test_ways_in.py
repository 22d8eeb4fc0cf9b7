"""The command line's names, the health pages, and what every answer carries."""

from __future__ import annotations

import uuid

import pytest
from django.db import OperationalError, connection
from django.db.migrations.recorder import MigrationRecorder
from django.test import Client

from scheduling.log.models import BrokenView
from server import wiring
from server.__main__ import with_underscores
from server.api.problems import describe
from tests.server.studio import VENUE, Caller


@pytest.mark.parametrize(
    ("given", "meant"),
    [
        (["studio-key", "a-b"], ["studio_key", "a-b"]),
        (["--version"], ["--version"]),
        (["serve", "--port", "0"], ["serve", "--port", "0"]),
        ([], []),
    ],
)
def test_a_command_may_be_written_with_a_hyphen(given: list[str], meant: list[str]) -> None:
    assert with_underscores(given) == meant


def test_the_server_is_live_and_ready(db: None) -> None:
    assert Client().get("/livez").content == b"live\n"
    assert Client().get("/readyz").status_code == 200


def test_the_server_is_not_ready_before_it_is_migrated(db: None, caplog: pytest.LogCaptureFixture) -> None:
    applied = MigrationRecorder(connection)
    applied.record_unapplied("log", max(name for app, name in applied.applied_migrations() if app == "log"))
    response = Client().get("/readyz")
    assert (response.status_code, response.content) == (
        503,
        b"not ready: migrations are waiting; the server's log says more\n",
    )
    assert "not ready: migrations are waiting: 1 of them; run `dayroll migrate`" in caplog.text


def test_the_server_is_not_ready_without_its_database(db: None, monkeypatch: pytest.MonkeyPatch) -> None:
    def gone(*_: object) -> None:
        raise OperationalError

    monkeypatch.setattr(MigrationRecorder, "applied_migrations", gone)
    assert Client().get("/readyz").status_code == 503
    assert Client().get("/livez").status_code == 200


def test_the_server_is_not_ready_while_a_view_is_set_aside(db: None, caplog: pytest.LogCaptureFixture) -> None:
    Client().get("/readyz")
    BrokenView.objects.create(view="runs", position=7, problem="no such column")
    for _ in range(3):
        response = Client().get("/readyz")
        assert (response.status_code, b"set aside" in response.content) == (503, True)
        assert b"runs" not in response.content, "which, is for who keeps the server"
    said = [record.getMessage() for record in caplog.records if record.name == "server.health"]
    assert said == ["not ready: views are set aside: runs; mend the fold, run `dayroll log rebuild`"]


def test_a_database_that_does_not_answer_is_a_reason_to_come_again(
    studio: Caller, monkeypatch: pytest.MonkeyPatch
) -> None:
    def locked(*_: object) -> None:
        raise OperationalError("database is locked")

    monkeypatch.setattr("server.api.base_views.carry_out", locked)
    response = studio.post("venues", VENUE)
    assert (response.status_code, response["Retry-After"]) == (503, "5")
    assert "locked" not in response.content.decode()
    assert describe(OperationalError()).status == 503


@pytest.mark.parametrize("path", ["/", "/api/v1/venues", "/nowhere", "/livez"])
def test_every_answer_has_a_number(db: None, path: str) -> None:
    first, second = Client().get(path), Client().get(path)
    assert uuid.UUID(first["X-Request-Id"]) != uuid.UUID(second["X-Request-Id"])


@pytest.mark.parametrize(
    "path", ["/", "/api/v1/venues", "/api/v1/reference", "/sign-in", "/livez", "/nowhere", "/static/console/console.js"]
)
def test_every_answer_says_what_a_browser_may_do_with_it(db: None, path: str) -> None:
    response = Client().get(path, headers={"origin": "https://elsewhere.example"})
    assert response["X-Content-Type-Options"] == "nosniff"
    assert {"default-src 'self'", "object-src 'none'", "base-uri 'none'", "frame-ancestors 'none'"} <= set(
        response["Content-Security-Policy"].split("; ")
    )
    assert response["Referrer-Policy"] == "same-origin"
    assert "Access-Control-Allow-Origin" not in response, "no page from elsewhere reads it"
    response.close()


@pytest.mark.parametrize("path", ["/", "/sign-in", "/livez", "/api/v1/venues"])
def test_no_request_is_sent_back_to_who_sent_it(studio: Caller, path: str) -> None:
    response = Client().generic("TRACE", path, headers={"authorization": f"Bearer {studio.token}"})
    assert response.status_code == 405
    assert str(studio.token) not in response.content.decode()


@pytest.mark.parametrize(
    "path", ["/static/", "/static/console/", "/.git/config", "/static/../settings.py", "/static/%2e%2e/"]
)
def test_no_folder_is_listed_and_no_file_of_the_program_is_shown(db: None, path: str) -> None:
    assert Client().get(path).status_code == 404


def test_the_time_comes_from_the_clock_that_the_environment_names(monkeypatch: pytest.MonkeyPatch) -> None:
    wiring.clock.cache_clear()
    monkeypatch.setenv("DAYROLL_CLOCK", "compressed:0:1000000000:0.000001")
    try:
        assert wiring.now().year == 2001
    finally:
        wiring.clock.cache_clear()


@pytest.mark.parametrize(
    ("path", "headers", "status"), [("/api/v2/venues", {}, 404), ("/api/v1/venues", {"host": "evil"}, 400)]
)
def test_below_api_every_error_is_a_problem(db: None, path: str, headers: dict[str, str], status: int) -> None:
    response = Client(headers=headers).get(path)
    assert (response.status_code, response["Content-Type"]) == (status, "application/problem+json")
    assert response.json()["instance"] == f"urn:uuid:{response['X-Request-Id']}"


@pytest.mark.parametrize(("path", "headers", "status"), [("/nowhere", {}, 404), ("/", {"host": "evil"}, 400)])
def test_elsewhere_every_error_is_a_page(db: None, path: str, headers: dict[str, str], status: int) -> None:
    response = Client(headers=headers).get(path)
    assert response.status_code == status
    assert "<h1>" in response.content.decode() and response["X-Request-Id"] in response.content.decode()


@pytest.mark.parametrize("path", ["/", "/overview"])
def test_a_mistake_of_ours_shows_no_traceback(
    db: None, path: str, monkeypatch: pytest.MonkeyPatch, caplog: pytest.LogCaptureFixture
) -> None:
    monkeypatch.setattr("server.console.views.overview", lambda now, chosen: 1 // 0)
    response = Client(raise_request_exception=False).get(path)
    shown = response.content.decode()
    assert response.status_code == 500
    assert "The server made a mistake" in shown and "Traceback" not in shown and "ZeroDivisionError" not in shown
    assert response["X-Request-Id"] in shown
    assert "ZeroDivisionError" in caplog.text and response["X-Request-Id"] in caplog.text


def test_a_form_from_elsewhere_gets_a_page_that_says_so(db: None) -> None:
    response = Client(enforce_csrf_checks=True).post("/sign-in", {"username": "a", "password": "b"})
    assert response.status_code == 403
    assert "Not allowed" in response.content.decode()
