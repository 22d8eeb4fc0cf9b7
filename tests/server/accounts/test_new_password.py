"""Taking another password on the pages."""

from __future__ import annotations

from typing import Any

import pytest
from django.contrib.auth.models import User
from django.test import Client

from machines.errors import InputError
from server.accounts.attempt_limit import MOST_WRONG
from server.accounts.people import make_person
from server.accounts.principals import Grant
from tests.server.accounts.test_signing_in import PASSWORD, browser, is_signed_in, sign_in
from tests.server.studio import Caller, HeldClock

__all__ = ["browser"]  # the fixture

NEW = "herons at the third lock"


def take(browser: Client, new: str = NEW, again: str | None = None, old: str = PASSWORD) -> Any:
    form = {"old_password": old, "new_password1": new, "new_password2": new if again is None else again}
    return browser.post("/new-password", form)


def test_the_new_one_counts_and_every_other_session_ends(
    browser: Client, caplog: pytest.LogCaptureFixture, settings: Any
) -> None:
    other = Client()
    sign_in(other)
    name, known = browser.cookies["sessionid"].value, browser.cookies[settings.KNOWN_COOKIE_NAME].value
    done = take(browser)
    assert (done.status_code, done["Location"]) == (302, "/")
    assert is_signed_in(browser) and not is_signed_in(other)
    assert browser.cookies["sessionid"].value != name
    assert browser.cookies[settings.KNOWN_COOKIE_NAME].value != known
    assert sign_in(Client(), NEW).status_code == 302
    assert sign_in(Client()).status_code == 200
    assert f"user:{User.objects.get().pk} has another password" in caplog.text
    assert NEW not in caplog.text and PASSWORD not in caplog.text


@pytest.mark.parametrize(
    ("given", "field"),
    [
        ({"old": "lanterns over the wire"}, "old_password"),
        ({"old": ""}, "old_password"),
        ({"again": NEW + " "}, "new_password2"),
        ({"new": "too short"}, "new_password2"),
        ({"new": "qwerty123456"}, "new_password2"),
        ({"new": "robin robin robin"}, "new_password2"),
        ({"new": "Dayroll-Studio"}, "new_password2"),
        ({"new": ""}, "new_password1"),
    ],
)
def test_what_will_not_do_is_said_beside_its_field(browser: Client, given: dict[str, str], field: str) -> None:
    refused = take(browser, **given)
    assert refused.status_code == 200
    assert f'id="wrong-{field}"' in refused.content.decode()
    assert "no-store" in refused["Cache-Control"]
    assert sign_in(Client()).status_code == 302


def test_the_old_one_is_not_guessed_at_for_ever(browser: Client) -> None:
    for _ in range(10):
        assert take(browser, old="a guess").status_code == 200
    assert take(browser).status_code == 429
    assert MOST_WRONG["browser"] == 10
    assert sign_in(Client()).status_code == 302, "signing in is counted by itself"


def test_only_who_is_signed_in_and_by_a_form_of_ours(browser: Client) -> None:
    assert take(Client())["Location"] == "/sign-in?next=/new-password"
    strict = Client(enforce_csrf_checks=True)
    strict.cookies = browser.cookies
    assert take(strict).status_code == 403
    assert sign_in(Client()).status_code == 302


def test_passwords_are_hidden_and_a_store_of_them_may_fill_them_in(browser: Client) -> None:
    shown = browser.get("/new-password").content.decode()
    assert shown.count('type="password" autocomplete="new-password"') == 2
    assert shown.count('type="password" autocomplete="current-password"') == 1
    assert "maxlength" not in shown
    assert 'href="/new-password"' in browser.get("/").content.decode()


def test_what_is_done_is_told_on_the_next_page_and_in_no_cookie(browser: Client, clock: HeldClock) -> None:
    take(browser)
    assert set(browser.cookies) <= {"sessionid", "csrftoken", "known"}
    assert "The new password counts" in browser.get("/").content.decode()


def test_the_words_of_the_house_make_no_password(furnished: Caller, settings: Any) -> None:
    settings.PASSWORD_HASHERS = ["django.contrib.auth.hashers.MD5PasswordHasher"]
    for password in (
        "dayroll-dayroll",
        "Studio2026!!",
        "curatorreader1",
        "wilma wilma wilma",
        "QUAY House 7",
        "wren-1 wren-1",
    ):
        with pytest.raises(InputError, match="too easily guessed"):
            make_person("wilma", password, Grant("reader"))
    make_person("wilma", "a reader of lanterns", Grant("reader"))
