"""The server with ``DAYROLL_HTTPS=1``, behind a proxy that speaks TLS: a real process, asked as a browser asks."""

from __future__ import annotations

import re
from pathlib import Path
from urllib.parse import urlencode

import urllib3

from tests.server.processes import process, run, wait_for_line

PASSWORD = "tide tables by lamplight"
PROXY = {"Host": "roll.example", "X-Forwarded-Proto": "https", "X-Forwarded-For": "203.0.113.9"}


def ask(address: str, path: str, form: dict[str, str] | None = None, **headers: str) -> urllib3.BaseHTTPResponse:
    body = None if form is None else urlencode(form)
    sent = PROXY | {"Content-Type": "application/x-www-form-urlencoded"} | headers
    method = "GET" if form is None else "POST"
    return urllib3.request(method, address + path, headers=sent, body=body, timeout=20.0, retries=False, redirect=False)


def test_a_person_signs_in_through_a_proxy_that_speaks_tls(tmp_path: Path) -> None:
    environment = {
        "DAYROLL_HOME": str(tmp_path / "home"),
        "DAYROLL_HTTPS": "1",
        "DAYROLL_HOSTS": "localhost, roll.example",
        "DJANGO_SUPERUSER_PASSWORD": PASSWORD,
    }
    log = tmp_path / "log"
    with process(["-m", "server", "serve", "--port", "0"], environment, log) as server:
        address = wait_for_line(server, log, "Dayroll is at").split()[-1]
        person = ["createsuperuser", "--no-input", "--username", "wilma", "--email", "wilma@roll.example"]
        assert run(person, environment).returncode == 0
        page = ask(address, "sign-in")
        assert page.headers["Strict-Transport-Security"].startswith("max-age=")
        assert "Secure" in page.headers["Set-Cookie"]
        token = re.search(r'name="csrfmiddlewaretoken" value="([^"]+)"', page.data.decode())
        assert token is not None
        form = {"csrfmiddlewaretoken": token[1], "username": "wilma", "password": PASSWORD}
        cookie = page.headers["Set-Cookie"].partition(";")[0]
        came_in = ask(address, "sign-in", form, Cookie=cookie, Origin="https://roll.example")
        assert came_in.status == 302, came_in.data
        sent = came_in.headers.getlist("Set-Cookie")
        session = next(one for one in sent if one.startswith("__Host-session="))
        assert {"Secure", "HttpOnly", "SameSite=Lax"} <= set(session.split("; "))
        elsewhere = ask(address, "sign-in", form, Cookie=cookie, Origin="https://elsewhere.example")
        assert elsewhere.status == 403


def test_djangos_own_checks_for_a_server_in_the_open_find_nothing(tmp_path: Path) -> None:
    done = run(
        ["check", "--deploy", "--fail-level", "WARNING"],
        {"DAYROLL_HOME": str(tmp_path / "home"), "DAYROLL_HTTPS": "1"},
    )
    assert done.returncode == 0, done.stderr
