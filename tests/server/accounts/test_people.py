"""Keys and accounts on the command line, and what becomes of those that were there before there were roles."""

from __future__ import annotations

import io
import os
import re
import subprocess
import sys
from collections.abc import Iterator
from io import StringIO
from pathlib import Path
from typing import Any

import pytest
from django.contrib.auth.models import AnonymousUser, User
from django.core.management import CommandError, call_command
from django.test import Client

from machines.errors import InputError
from server.accounts import people, tokens
from server.accounts.models import Key, PersonRole
from server.accounts.people import make_person, standing_of
from server.accounts.principals import STUDIO, Grant
from tests.server.processes import PATIENCE_S, run
from tests.server.studio import FAR_VENUE, OPENING, VENUE, Caller, HeldClock

PASSWORD = "lanterns over the weir"


def said(*order: str) -> str:
    """What a command writes, and tells beside it."""
    out = StringIO()
    call_command(*order, stdout=out, stderr=out)
    return out.getvalue()


@pytest.fixture
def venues(studio: Caller) -> None:
    for venue in (VENUE, FAR_VENUE):
        studio.create("venues", venue)


@pytest.mark.usefixtures("venues")
def test_a_curators_key_is_made_listed_and_revoked() -> None:
    key = said("key", "make", "robin", "--role", "curator", "--venue", "quay", "--venue", "shed").split()[0]
    assert Caller(key).post("openings", OPENING).status_code == 201
    assert Caller(key).post("venues", VENUE | {"id": "mill"}).status_code == 403
    for listing in (said("key", "list"), said("studio_key", "--list")):
        (line,) = [line for line in listing.splitlines() if line.endswith("  robin")]
        assert tokens.prefix_of(key) in line and "in use  curator of quay, shed" in line
        assert key not in listing
    assert "  studio  tests" in said("key", "list")
    assert "opens nothing any more" in said("key", "revoke", "robin")
    assert Caller(key).get("venues").status_code == 401
    assert re.search(r"revoked \d{4}-.* UTC  curator of quay, shed  robin", said("key", "list"))


@pytest.mark.usefixtures("venues")
@pytest.mark.parametrize(
    ("order", "problem"),
    [
        (["make", "robin"], "--role"),
        (["make", "robin", "--role", "keeper"], "invalid choice: 'keeper'"),
        (["make", "robin", "--role", "curator", "--venue", "nowhere"], "there is no venue 'nowhere'"),
        (["make", "robin", "--role", "studio", "--venue", "quay"], "the studio is not bound to venues"),
        (["make", "robin", "--role", "reader", "--venue", "quay"], "a reader is not bound to venues"),
        (["make", "tests", "--role", "reader"], "'tests' has a key already"),
        (["make", "", "--role", "reader"], "names nobody"),
        (["revoke", "nobody"], "'nobody' has no key that works"),
    ],
)
def test_a_key_that_cannot_be_is_refused(order: list[str], problem: str) -> None:
    with pytest.raises(CommandError, match=re.escape(problem)):
        said("key", *order)
    assert Key.objects.count() == 1


def test_a_studio_key_is_the_studios(db: None, clock: HeldClock) -> None:
    key = said("studio_key", "workshop").split()[0]
    assert key.startswith("studio_")
    assert Caller(key).post("venues", VENUE).status_code == 201
    assert Key.objects.get().standing == STUDIO


@pytest.mark.parametrize("command", ["key", "person", "studio_key"])
def test_help_says_what_roles_there_are(command: str, capsys: pytest.CaptureFixture[str]) -> None:
    with pytest.raises(SystemExit):
        call_command(command, "--help")
    assert "curator" in capsys.readouterr().out


@pytest.fixture
def at_a_terminal(tmp_path: Path) -> Iterator[Any]:
    """Runs `dayroll` in a home of its own at a terminal, types what is given, and tells what stood there at the end."""
    home = {"DAYROLL_HOME": str(tmp_path)}
    assert run(["migrate"], home).returncode == 0

    def at_it(*order: str, types: list[str]) -> tuple[int, str]:
        ours = {name: value for name, value in os.environ.items() if not name.startswith("DAYROLL_")}
        terminal, end = os.openpty()
        child = subprocess.Popen(
            [sys.executable, "-m", "server", *order],
            env=ours | home,
            stdin=end,
            stdout=end,
            stderr=end,
            start_new_session=True,
        )
        os.close(end)
        shown = ""
        try:
            for asked, line in enumerate(types, 1):
                while len(re.findall(r"Password[^:]*: ", shown)) < asked:
                    shown += os.read(terminal, 1000).decode()
                os.write(terminal, f"{line}\n".encode())
            while piece := _rest(terminal):
                shown += piece
            return child.wait(PATIENCE_S), shown
        finally:
            child.kill()
            child.wait()
            os.close(terminal)

    yield at_it


def _rest(terminal: int) -> str:
    try:
        return os.read(terminal, 1000).decode()
    except OSError:  # Linux says so when nobody is at the other end any more
        return ""


def test_a_curators_account_asks_for_its_password(at_a_terminal: Any, tmp_path: Path) -> None:
    wrong = [PASSWORD, "another one altogether", "robin", "robin"]
    ended, shown = at_a_terminal("person", "make", "robin", "--role", "curator", types=[*wrong, PASSWORD, PASSWORD])
    assert ended == 0, shown
    assert "These were not the same." in shown and "too short" in shown and "robin may sign in." in shown
    assert PASSWORD not in shown
    listing = run(["person", "list"], {"DAYROLL_HOME": str(tmp_path)}).stdout
    assert listing == "user:1  may sign in  curator  robin\n"


def test_after_three_passwords_that_will_not_do_there_is_no_account(at_a_terminal: Any, tmp_path: Path) -> None:
    ended, shown = at_a_terminal("person", "make", "robin", "--role", "curator", types=["12345678", "12345678"] * 3)
    assert ended == 1
    assert "no password after 3 tries; no account was made" in shown and "Traceback" not in shown
    assert run(["person", "list"], {"DAYROLL_HOME": str(tmp_path)}).stdout == ""


def test_without_a_terminal_no_password_is_asked_for(venues: None) -> None:
    with pytest.raises(CommandError, match="asked for at a terminal"):
        said("person", "make", "robin", "--role", "curator", "--venue", "quay")
    assert not User.objects.exists()


def test_a_password_comes_from_a_file_or_a_pipe(venues: None, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    file = tmp_path / "password"
    file.write_text(f"{PASSWORD}\n")
    assert said("person", "make", "robin", "--role", "reader", "--password-file", str(file)) == "robin may sign in.\n"
    monkeypatch.setattr("sys.stdin", io.StringIO(f"{PASSWORD}\n"))
    assert said("person", "make", "kim", "--role", "reader", "--password-file", "-") == "kim may sign in.\n"
    assert [one.check_password(PASSWORD) for one in User.objects.order_by("id")] == [True, True]


@pytest.mark.parametrize("password", ["", "short", "two\nlines of it"])
def test_what_is_no_password_in_a_file_makes_no_account(venues: None, tmp_path: Path, password: str) -> None:
    file = tmp_path / "password"
    file.write_text(password)
    with pytest.raises(CommandError):
        said("person", "make", "robin", "--role", "reader", "--password-file", str(file))
    assert not User.objects.exists()


@pytest.mark.parametrize(
    ("order", "problem"),
    [
        (["make", "wilma", "--role", "curator"], "'wilma' has an account already"),
        (["make", "ｗｉｌｍａ", "--role", "curator"], "has an account already"),  # the same to whoever signs in
        (["make", "", "--role", "curator"], "names nobody"),
        (["make", "a b", "--role", "curator"], "names nobody"),
        (["make", "robin", "--role", "curator", "--venue", "nowhere"], "there is no venue 'nowhere'"),
        (["role", "robin", "--role", "curator"], "'robin' has no account"),
        (["role", "keeper", "--role", "curator"], "'keeper' is a superuser, who is the studio's"),
        (["close", "robin"], "'robin' has no account"),
        (["reopen", "robin"], "'robin' has no account"),
    ],
)
def test_an_account_that_cannot_be_is_refused(venues: None, order: list[str], problem: str) -> None:
    make_person("wilma", PASSWORD, Grant("curator"))
    User.objects.create_superuser("keeper")
    with pytest.raises(CommandError, match=re.escape(problem)):
        said("person", *order)
    assert (User.objects.count(), PersonRole.objects.count()) == (2, 1)


def test_a_password_that_is_easily_guessed_makes_no_account(db: None) -> None:
    for password in ("too short", "qwerty123456", "wilma wilma wilma"):
        with pytest.raises(InputError, match="too easily guessed"):
            make_person("wilma", password, Grant("curator"))
    assert not User.objects.exists()


def test_a_role_is_changed_and_an_account_closed_and_reopened(venues: None) -> None:
    make_person("wilma", PASSWORD, Grant("curator"))
    client = Client()
    assert client.login(username="wilma", password=PASSWORD)
    said("person", "role", "wilma", "--role", "curator", "--venue", "shed")
    assert client.get("/venues/shed/hours").status_code == 200
    assert client.get("/venues/quay/hours").status_code == 403
    assert "may sign in  curator of shed  wilma" in said("person", "list")
    said("person", "close", "wilma")
    assert client.get("/venues/shed/hours").status_code == 302
    assert not client.login(username="wilma", password=PASSWORD)
    assert "closed  curator of shed  wilma" in said("person", "list")
    assert "may sign in again" in said("person", "reopen", "wilma")
    assert "may sign in  curator of shed  wilma" in said("person", "list")
    assert client.login(username="wilma", password=PASSWORD)
    assert client.get("/venues/shed/hours").status_code == 200


def test_who_is_the_studio_and_who_only_looks(db: None) -> None:
    assert standing_of(User.objects.create_superuser("keeper")) == STUDIO
    assert standing_of(User.objects.create_user("guest")) == standing_of(AnonymousUser()) == people.LOOKS_ONLY


def test_no_migration_is_missing(db: None) -> None:
    out = StringIO()
    call_command("makemigrations", "accounts", check=True, dry_run=True, skip_checks=True, stdout=out)
    assert out.getvalue() == "No changes detected in app 'accounts'\n"
