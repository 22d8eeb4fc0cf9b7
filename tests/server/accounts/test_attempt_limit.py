"""Wrong passwords, codes and keys: so many are borne, then the answer is how long to wait."""

from __future__ import annotations

import threading
from datetime import timedelta
from typing import Any

import pytest
from django.contrib.auth import get_user_model
from django.http import HttpRequest, HttpResponse
from django.test import Client

from scheduling.log.models import Machine
from server.accounts.addresses import address_of
from server.accounts.attempt_limit import MOST_WRONG, WINDOW_S, TooManyTries, count_wrong, guarded, require_few
from server.accounts.known_browsers import KNOWN_S
from tests.server.api.test_bad_input import problem
from tests.server.conftest import enrol
from tests.server.keys import new_key
from tests.server.studio import BEGINS, Caller, HeldClock

PASSWORD = "tide tables by lamplight"


@pytest.fixture(autouse=True)
def _fewer_and_quicker(monkeypatch: pytest.MonkeyPatch, settings: Any) -> None:
    """Fewer are borne than usual, and a password costs no hash that is meant to be slow."""
    settings.PASSWORD_HASHERS = ["django.contrib.auth.hashers.MD5PasswordHasher"]
    for what, most in (("password", 3), ("account", 5), ("browser", 2), ("code", 3), ("key", 4)):
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
    assert b"Names and passwords were wrong too often." in refused.content
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
    assert Caller(new_key("another")).get("venues").status_code == 200


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
        ("::ffff:198.51.100.7", "198.51.100.7"),
        ("::ffff:c633:6407", "198.51.100.7"),
        ("[::ffff:198.51.100.7]:4711", "198.51.100.7"),
        ("198.51.100.7:4711", "198.51.100.7"),
        ("[2001:db8:1:2::7]:4711", "2001:db8:1:2::/64"),
        ("[2001:db8:1:2::7]", "2001:db8:1:2::/64"),
        ("fe80::7%eth0", "fe80::/64"),
        ("", "what calls itself ''"),
        ("/run/dayroll.sock", "what calls itself '/run/dayroll.sock'"),
        ("unknown\n" + "x" * 100, "what calls itself 'unknown" + "x" * 56 + "'"),
    ],
)
def test_an_address_is_one_or_a_network_of_the_sixth_version(address: str, network: str) -> None:
    assert address_of(request_from(address)) == network


def test_what_a_client_says_of_its_address_counts_only_behind_a_proxy_and_only_the_proxys_word(
    settings: Any,
) -> None:
    forged = request_from("127.0.0.1", "198.51.100.1, 203.0.113.9")
    assert address_of(forged) == "127.0.0.1"
    settings.PROXIES = 1
    assert address_of(forged) == "203.0.113.9"
    assert address_of(request_from("127.0.0.1")) == "127.0.0.1"


@pytest.mark.parametrize(
    ("proxies", "address"),
    [(0, "192.0.2.1"), (1, "203.0.113.9"), (2, "198.51.100.2"), (3, "198.51.100.1"), (4, "192.0.2.1")],
)
def test_so_many_proxies_are_believed_as_there_are(settings: Any, proxies: int, address: str) -> None:
    settings.PROXIES = proxies
    told = "198.51.100.1 , ::ffff:198.51.100.2,[203.0.113.9]:80, 203.0.113.9:4711"
    assert address_of(request_from("192.0.2.1", told.replace("[203.0.113.9]:80, ", ""))) == address


@pytest.mark.parametrize("form", ["::ffff:198.51.100.{}", "198.51.100.{}:4711", "[2001:db8:{}::1]:443"])
def test_behind_a_proxy_that_writes_addresses_otherwise_guessers_keep_out_nobody_else(
    person: str, settings: Any, form: str
) -> None:
    settings.PROXIES = 1
    settings.ALLOWED_HOSTS = ["testserver"]

    def try_from(number: int, password: str) -> HttpResponse:
        told = form.format(number)
        data = {"username": person, "password": password}
        return Client(REMOTE_ADDR="127.0.0.1").post("/sign-in", data, HTTP_X_FORWARDED_FOR=told)

    for number in range(1, 5):
        assert try_from(number, "a guess").status_code == 200
    assert came_in(try_from(9, PASSWORD))
    for _ in range(3):
        last = try_from(1, "a guess")
    assert last.status_code == 429


def test_what_is_no_address_is_said_once(caplog: pytest.LogCaptureFixture, monkeypatch: pytest.MonkeyPatch) -> None:
    # It is complained of once a process, and this one has run other tests.
    monkeypatch.setattr("server.accounts.addresses._complained", threading.Event())
    for text in ("unknown", "_hidden", ""):
        address_of(request_from(text))
    (line,) = [record.getMessage() for record in caplog.records]
    assert "'unknown', which is no address" in line and "DAYROLL_PROXIES" in line


def known(name: str, password: str = PASSWORD) -> Client:
    """A browser in which somebody signed in, and out again."""
    browser = Client(REMOTE_ADDR="192.0.2.99")
    assert browser.post("/sign-in", {"username": name, "password": password}).status_code == 302
    browser.post("/sign-out")
    return browser


def tries(browser: Client, name: str, password: str) -> int:
    return browser.post("/sign-in", {"username": name, "password": password}).status_code


def test_nobodys_tries_keep_out_a_browser_that_is_known(person: str) -> None:
    browser = known(person)
    for number in range(MOST_WRONG["account"]):
        sign_in(person, "a guess", f"192.0.2.{number + 10}")
    for _ in range(MOST_WRONG["password"]):
        sign_in("another", "a guess", "192.0.2.99")
    assert sign_in(person, PASSWORD, "192.0.2.99").status_code == 429
    assert sign_in(person, PASSWORD, "192.0.2.8").status_code == 429
    assert tries(browser, person, PASSWORD) == 302


def test_a_known_browser_has_few_tries_of_its_own_and_spends_nobody_elses(person: str) -> None:
    browser = known(person)
    for _ in range(MOST_WRONG["browser"]):
        assert tries(browser, person, "a guess") == 200
    assert tries(browser, person, PASSWORD) == 429
    assert came_in(sign_in(person, PASSWORD, "192.0.2.99"))


def test_a_browser_is_known_for_one_account_until_its_password_changes(person: str, clock: HeldClock) -> None:
    get_user_model().objects.create_user("robin", password=PASSWORD)
    browser = known(person)
    for number in range(MOST_WRONG["account"]):
        for name in (person, "robin"):
            sign_in(name, "a guess", f"192.0.2.{number + 10}")
    assert tries(browser, "robin", PASSWORD) == 429
    owner = get_user_model().objects.get(username=person)
    owner.set_password("another one, by daylight")
    owner.save()
    assert tries(browser, person, "another one, by daylight") == 429


@pytest.mark.parametrize("forged", ["", "x", "WzEsICJ4Il0:1wXyZz:AAAA", "ü", "a:b:c"])
def test_who_says_it_is_known_and_is_not_is_a_stranger(person: str, forged: str, settings: Any) -> None:
    for _ in range(MOST_WRONG["password"]):
        sign_in(person, "a guess")
    browser = Client(REMOTE_ADDR="192.0.2.7")
    browser.cookies[settings.KNOWN_COOKIE_NAME] = forged
    assert tries(browser, person, PASSWORD) == 429


def test_what_a_known_browser_keeps_no_page_can_read(person: str, settings: Any) -> None:
    cookie = known(person).cookies[settings.KNOWN_COOKIE_NAME]
    assert cookie["httponly"] and cookie["samesite"] == "Strict"
    assert cookie["max-age"] == KNOWN_S
    assert PASSWORD not in cookie.value


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
    assert raised.value.wait_s == WINDOW_S - 1
    with pytest.raises(TooManyTries) as raised:
        require_few("code", "here", BEGINS + timedelta(seconds=WINDOW_S, milliseconds=500))
    assert raised.value.wait_s == 1
    require_few("code", "here", BEGINS + timedelta(seconds=WINDOW_S + 1))
    require_few("code", "there", BEGINS)
    require_few("password", "here", BEGINS)


def test_a_name_with_lines_of_its_own_stays_on_its_line(person: str, caplog: pytest.LogCaptureFixture) -> None:
    name = "wilma\n2026-03-20 12:00:00 INFO server: all is well"
    for number in range(MOST_WRONG["account"]):
        sign_in(name, "a guess", f"192.0.2.{number + 10}")
    (said,) = [record.getMessage() for record in caplog.records if "of account" in record.message]
    assert "\n" not in said and "wilma\\n2026" in said


def test_at_no_time_of_the_clock_are_more_borne(caplog: pytest.LogCaptureFixture) -> None:
    """Not more in any quarter of an hour, either, than in one of the clock's own."""
    at = [BEGINS + timedelta(seconds=WINDOW_S * 0.9 + 60 * number) for number in range(5)]
    for instant in at[: MOST_WRONG["code"]]:
        count_wrong("code", "here", instant)
    with pytest.raises(TooManyTries):
        require_few("code", "here", at[4])
    assert [record.getMessage() for record in caplog.records if "locked out" in record.message] == [
        "locked out for a while, of code: here, after 3 wrong tries"
    ]
