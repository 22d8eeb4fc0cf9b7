"""Signing in on the pages: what is written down of it, and when a session ends."""

from __future__ import annotations

import re
import stat
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any

import pytest
from django.contrib.auth.models import User
from django.contrib.sessions.models import Session
from django.db import connection
from django.test import Client
from django.test.utils import CaptureQueriesContext

from server.accounts import people
from server.accounts.people import make_person
from server.accounts.principals import Grant
from server.accounts.signing_in import BEGAN, SEEN
from server.checks import folder_is_ours
from server.secret import own_file
from tests.server.processes import process, run, wait_for_line
from tests.server.serving.test_behind_a_proxy import ask
from tests.server.studio import Caller, HeldClock

PASSWORD = "lanterns over the weir"
FOR_CURATORS = "/openings/new"


@pytest.fixture
def browser(db: None, clock: HeldClock, settings: Any) -> Client:
    """One in which a curator is signed in, by the page."""
    settings.PASSWORD_HASHERS = ["django.contrib.auth.hashers.MD5PasswordHasher"]
    make_person("robin", PASSWORD, Grant("curator"))
    browser = Client(REMOTE_ADDR="192.0.2.7")
    assert sign_in(browser).status_code == 302
    return browser


def sign_in(browser: Client, password: str = PASSWORD) -> Any:
    return browser.post("/sign-in", {"username": "robin", "password": password})


def is_signed_in(browser: Client) -> bool:
    return browser.get(FOR_CURATORS).status_code == 200


def test_a_session_that_nobody_uses_ends_after_half_a_day(browser: Client, clock: HeldClock) -> None:
    for _ in range(3):
        clock.at += timedelta(hours=12)
        assert is_signed_in(browser)
    clock.at += timedelta(hours=12, seconds=1)
    assert not is_signed_in(browser)
    assert not Session.objects.exists()


def test_however_busy_a_session_ends_after_two_weeks(browser: Client, clock: HeldClock) -> None:
    for _ in range(14 * 4):
        clock.at += timedelta(hours=6)
        assert is_signed_in(browser)
    clock.at += timedelta(hours=6)
    assert not is_signed_in(browser)


def test_when_it_was_used_is_written_down_now_and_then(browser: Client, clock: HeldClock) -> None:
    def noted() -> datetime:
        assert is_signed_in(browser)
        return datetime.fromtimestamp(Session.objects.get().get_decoded()[SEEN], UTC)

    first = noted()
    assert first == clock.at
    clock.at += timedelta(minutes=10)
    with CaptureQueriesContext(connection) as asked:
        assert noted() == first
    assert not [query for query in asked if "UPDATE" in query["sql"]]
    clock.at += timedelta(seconds=1)
    assert noted() == clock.at


@pytest.mark.parametrize("path", ["/", "/venues/quay/today", "/machines/wren-1/now"])
def test_who_is_not_signed_in_has_no_session_and_is_told_nothing_of_one(furnished: Caller, path: str) -> None:
    answer = Client().get(path)
    assert answer.status_code == 200
    assert not answer.cookies
    assert not Session.objects.exists()


def test_a_reopened_account_has_no_session_of_before(browser: Client) -> None:
    make_person("wilma", PASSWORD, Grant("curator"))
    other = Client()
    other.post("/sign-in", {"username": "wilma", "password": PASSWORD})
    people.close_account("robin")
    assert not is_signed_in(browser)
    people.reopen_account("robin")
    assert not is_signed_in(browser)
    assert is_signed_in(other)


def test_who_came_in_went_and_was_refused_stands_in_the_log(browser: Client, caplog: pytest.LogCaptureFixture) -> None:
    caplog.set_level("INFO")
    caplog.clear()
    number = User.objects.get().pk
    left = browser.post("/sign-out")
    refused = sign_in(browser, "lanterns over the wire")
    came = sign_in(browser)
    said = [(record.levelname, record.getMessage()) for record in caplog.records if record.name.startswith("server.")]
    assert said == [
        ("INFO", f"request {left['X-Request-Id']} from 192.0.2.7: user:{number} signed out"),
        ("WARNING", f"request {refused['X-Request-Id']} from 192.0.2.7: a wrong name or password"),
        ("INFO", f"request {came['X-Request-Id']} from 192.0.2.7: user:{number} signed in"),
    ]
    assert "lanterns" not in caplog.text


def test_who_signs_in_has_a_session_with_a_new_name_and_leaving_ends_it(browser: Client, clock: HeldClock) -> None:
    first = browser.cookies["sessionid"].value
    assert len(first) == 32, "letters and digits by chance: 165 bits"
    sign_in(browser)
    second = browser.cookies["sessionid"].value
    assert second != first
    assert not Session.objects.filter(session_key=first).exists()
    browser.post("/sign-out")
    browser.cookies["sessionid"] = second
    assert not is_signed_in(browser)
    assert not Session.objects.exists()


def test_another_password_ends_every_session(browser: Client) -> None:
    other = Client()
    assert sign_in(other).status_code == 302
    person = User.objects.get()
    person.set_password(PASSWORD + " at dusk")
    person.save()
    assert not is_signed_in(browser)
    assert not is_signed_in(other)


@pytest.mark.parametrize(
    "password",
    ["lanterns over the weir at dusk " * 4, "  lanterns with blanks at both ends  ", "Laternen über dem Wehr 水門"],
)
def test_a_password_is_taken_as_it_was_typed_and_whole(
    db: None, clock: HeldClock, settings: Any, password: str
) -> None:
    settings.PASSWORD_HASHERS = ["django.contrib.auth.hashers.MD5PasswordHasher"]
    make_person("robin", password, Grant("curator"))
    for other in {password[:-1], password.swapcase(), password.strip(), password[:64]} - {password}:
        assert sign_in(Client(), other).status_code == 200
    assert sign_in(Client(), password).status_code == 302


def test_the_password_is_hidden_and_a_store_of_passwords_may_fill_it_in(db: None) -> None:
    (field,) = re.findall(r"<input[^>]*password[^>]*>", Client().get("/sign-in").content.decode())
    assert 'type="password"' in field and 'autocomplete="current-password"' in field
    assert "maxlength" not in field and "paste" not in field


@pytest.mark.parametrize("path", ["/", "/openings/new", "/sign-in"])
def test_no_browser_keeps_a_page_that_somebody_saw_who_was_signed_in(browser: Client, path: str) -> None:
    answer = browser.get(path)
    assert answer.status_code in (200, 302)
    assert "no-store" in answer["Cache-Control"]


@pytest.mark.parametrize("path", ["/", "/openings/new"])
def test_on_each_page_one_can_leave(browser: Client, path: str) -> None:
    shown = browser.get(path).content.decode()
    assert 'action="/sign-out"' in shown and "Sign out robin" in shown


def test_no_page_may_use_what_it_does_not_need(db: None, clock: HeldClock) -> None:
    for path in ("/", "/sign-in", "/api/v1/venues", "/nowhere", "/livez"):
        policy = Client().get(path)["Permissions-Policy"]
        assert {"camera=()", "microphone=()", "geolocation=()", "serial=()"} <= set(policy.split(", "))


def test_cookies_of_an_encrypted_server_are_this_hosts_alone(tmp_path: Path) -> None:
    environment = {"DAYROLL_HOME": str(tmp_path / "home"), "DAYROLL_HTTPS": "1", "DAYROLL_HOSTS": "roll.example"}
    log = tmp_path / "log"
    with process(["-m", "server", "serve", "--port", "0"], environment, log) as server:
        address = wait_for_line(server, log, "Dayroll is at").split()[-1]
        (cookie,) = ask(address, "sign-in").headers.getlist("Set-Cookie")
        assert cookie.startswith("__Host-csrf=")
        assert {"Secure", "Path=/", "HttpOnly"} <= set(cookie.split("; "))
        assert "Domain" not in cookie
        for _ in range(2):
            assert ask(address, "", Host="elsewhere.example").status == 400
    said = log.read_text()
    assert "Traceback" not in said
    assert len([line for line in said.splitlines() if "elsewhere.example" in line]) == 2
    home = tmp_path / "home"
    for file in home.glob("dayroll.sqlite3*"):
        assert stat.S_IMODE(file.stat().st_mode) == 0o600, file
    assert (home / "dayroll.sqlite3").exists()


def test_a_database_that_others_could_read_is_closed_to_them(tmp_path: Path) -> None:
    file = tmp_path / "dayroll.sqlite3"
    for one in (file, tmp_path / "dayroll.sqlite3-wal", tmp_path / "other"):
        one.write_bytes(b"kept")
        one.chmod(0o644)
    own_file(file)
    assert {one.name: stat.S_IMODE(one.stat().st_mode) for one in tmp_path.iterdir()} == {
        "dayroll.sqlite3": 0o600,
        "dayroll.sqlite3-wal": 0o600,
        "other": 0o644,
    }
    assert file.read_bytes() == b"kept"


def test_an_open_folder_is_said(tmp_path: Path, settings: Any) -> None:
    settings.HOME = tmp_path
    tmp_path.chmod(0o700)
    assert folder_is_ours(None) == []
    tmp_path.chmod(0o750)
    (said,) = folder_is_ours(None)
    assert "other users" in said.msg and f"chmod 700 {tmp_path}" == said.hint
    home = {"DAYROLL_HOME": str(tmp_path), "DAYROLL_HTTPS": "1"}
    assert "dayroll.W001" in run(["check"], home).stderr
    settings.HOME = tmp_path / "nowhere"
    assert folder_is_ours(None) == []


def test_sessions_of_an_earlier_version_go_on_and_end_like_others(browser: Client, clock: HeldClock) -> None:
    session = browser.session
    for name in (BEGAN, SEEN):
        del session[name]
    session.save()
    assert is_signed_in(browser)
    clock.at += timedelta(hours=12)
    assert is_signed_in(browser)
    clock.at += timedelta(hours=12, seconds=1)
    assert not is_signed_in(browser)
