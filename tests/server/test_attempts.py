"""Wrong passwords, codes and keys: so many are borne, then the answer is how long to wait."""

from __future__ import annotations

from datetime import timedelta
from typing import Any

import pytest
from django.contrib.auth import get_user_model
from django.http import HttpRequest, HttpResponse
from django.test import Client

from scheduling.log.models import Machine
from server import wiring
from server.accounts import keys
from server.accounts.attempts import (
    MOST_WRONG,
    WINDOW_S,
    TooManyTries,
    address_of,
    count_wrong,
    guarded,
    require_few,
)
from tests.server.conftest import enrol
from tests.server.studio import BEGINS, Caller, HeldClock
from tests.server.test_bad_input import problem

PASSWORD = "tide tables by lamplight"


@pytest.fixture(autouse=True)
def _fewer_and_quicker(monkeypatch: pytest.MonkeyPatch, settings: Any) -> None:
    """Fewer are borne than usual, and a password costs no hash that is meant to be slow."""
    settings.PASSWORD_HASHERS = ["django.contrib.auth.hashers.MD5PasswordHasher"]
    for what, most in (("password", 3), ("account", 5), ("code", 3), ("key", 4)):
        assert most < MOST_WRONG[what]
        monkeypatch.setitem(MOST_WRONG, what, most)


@pytest.fixture
def person(db: None, clock: HeldClock) -> str:
    """The name of somebody who may sign in."""
    get_user_model().objects.create_user("wilma", password=PASSWORD)
    return "wilma"


def sign_in(name: str, password: str, address: str = "192.0.2.7") -> HttpResponse:
    return Client(REMOTE_ADDR=address).post("/sign-in", {"username": name, "password": password})


def came_in(answer: HttpResponse) -> bool:
    return answer.status_code == 302


def test_wrong_passwords_are_borne_so_often_and_then_even_the_right_one_waits(person: str, clock: HeldClock) -> None:
    for _ in range(MOST_WRONG["password"]):
        assert sign_in(person, "a guess").status_code == 200
    refused = sign_in(person, PASSWORD)
    assert refused.status_code == 429
    assert 0 < int(refused["Retry-After"]) <= WINDOW_S
    assert b"Too many wrong tries" in refused.content
    assert b"Traceback" not in refused.content
    clock.at += timedelta(seconds=int(refused["Retry-After"]))
    assert came_in(sign_in(person, PASSWORD))


def test_one_wrong_less_keeps_nobody_out(person: str) -> None:
    for _ in range(MOST_WRONG["password"] - 1):
        sign_in(person, "a guess")
    assert came_in(sign_in(person, PASSWORD))


def test_who_guesses_keeps_out_nobody_elsewhere(person: str) -> None:
    for _ in range(MOST_WRONG["password"]):
        sign_in(person, "a guess", "192.0.2.7")
    assert sign_in(person, PASSWORD, "192.0.2.7").status_code == 429
    assert came_in(sign_in(person, PASSWORD, "192.0.2.8"))


def test_one_password_tried_on_many_names_is_counted_too(person: str) -> None:
    for number in range(MOST_WRONG["password"]):
        sign_in(f"name-{number}", PASSWORD)
    assert sign_in(person, PASSWORD).status_code == 429


def test_many_addresses_together_get_only_so_many_tries_at_one_account(person: str) -> None:
    for number in range(MOST_WRONG["account"]):
        assert sign_in(person, "a guess", f"192.0.2.{number + 10}").status_code == 200
    assert sign_in(person, PASSWORD, "192.0.2.8").status_code == 429
    assert sign_in("another", "a guess", "192.0.2.8").status_code == 200


def test_wrong_codes_are_borne_so_often(furnished: Caller, clock: HeldClock) -> None:
    code = furnished.post("machines/wren-1/enrolment").json()["code"]
    for _ in range(MOST_WRONG["code"]):
        assert problem(Caller().post("node/enrol", {"code": "AAAA-AAAA-AAAA"}), 422)["field"] == "code"
    answer = Caller().post("node/enrol", {"code": code})
    assert problem(answer, 429)["type"] == "/api/v1/problems/too-many-tries"
    assert Machine.objects.get().epoch == 0
    clock.at += timedelta(seconds=int(answer["Retry-After"]))
    assert Caller().post("node/enrol", {"code": code}).status_code == 200


def test_a_body_that_is_no_code_is_not_a_try(furnished: Caller) -> None:
    for _ in range(MOST_WRONG["code"] + 1):
        assert problem(Caller().post("node/enrol", {"code": 5}), 422)["field"] == "code"
    assert enrol(furnished)["epoch"] == 1


@pytest.mark.parametrize(
    ("token", "path"), [("studio_0000000000_x", "venues"), ("node_0000000000_x", "node/work"), ("nonsense", "venues")]
)
def test_wrong_keys_wait_and_good_ones_from_the_same_address_do_not(node: Caller, token: str, path: str) -> None:
    for _ in range(MOST_WRONG["key"]):
        assert problem(Caller(token).get(path), 401)["type"] == "about:blank"
    refused = Caller(token).get(path)
    assert problem(refused, 429)["type"] == "/api/v1/problems/too-many-tries"
    assert 0 < int(refused["Retry-After"]) <= WINDOW_S
    assert node.get("node/work").status_code == 200
    assert Caller(keys.make_studio_key("another", wiring.now())).get("venues").status_code == 200


def test_no_key_at_all_is_not_a_wrong_one(studio: Caller) -> None:
    statuses = [Caller().get("venues").status_code for _ in range(MOST_WRONG["key"] + 1)]
    assert set(statuses) == {401}


def request_from(address: str, forwarded: str | None = None) -> HttpRequest:
    request = HttpRequest()
    request.META = {"REMOTE_ADDR": address} | ({} if forwarded is None else {"HTTP_X_FORWARDED_FOR": forwarded})
    return request


@pytest.mark.parametrize(
    ("address", "network"),
    [
        ("192.0.2.7", "192.0.2.7"),
        ("2001:db8:1:2:3:4:5:6", "2001:db8:1:2::/64"),
        ("2001:db8:1:2:ffff::1", "2001:db8:1:2::/64"),
        ("2001:db8:1:3::1", "2001:db8:1:3::/64"),
        ("", "unknown"),
        ("/run/dayroll.sock", "unknown"),
    ],
)
def test_an_address_is_one_or_a_network_of_the_sixth_version(address: str, network: str) -> None:
    assert address_of(request_from(address)) == network


def test_what_a_client_says_of_its_address_counts_only_behind_a_proxy_and_only_the_proxys_word(
    settings: Any,
) -> None:
    forged = request_from("127.0.0.1", "198.51.100.1, 203.0.113.9")
    assert address_of(forged) == "127.0.0.1"
    settings.SECURE_PROXY_SSL_HEADER = ("HTTP_X_FORWARDED_PROTO", "https")
    assert address_of(forged) == "203.0.113.9"
    assert address_of(request_from("127.0.0.1")) == "127.0.0.1"


def test_only_what_is_wrong_is_counted() -> None:
    for _ in range(MOST_WRONG["code"] + 1):
        with guarded("code", "here", BEGINS, KeyError):
            pass
    for _ in range(MOST_WRONG["code"] + 1):
        with pytest.raises(ZeroDivisionError), guarded("code", "here", BEGINS, KeyError):
            raise ZeroDivisionError
    require_few("code", "here", BEGINS)


def test_the_wait_ends_with_the_window() -> None:
    for _ in range(MOST_WRONG["code"]):
        count_wrong("code", "here", BEGINS + timedelta(seconds=1))
    with pytest.raises(TooManyTries) as raised:
        require_few("code", "here", BEGINS + timedelta(seconds=2))
    assert BEGINS.timestamp() % WINDOW_S == 0
    assert raised.value.wait_s == WINDOW_S - 2
    require_few("code", "here", BEGINS + timedelta(seconds=WINDOW_S))
    require_few("code", "there", BEGINS)
    require_few("password", "here", BEGINS)
