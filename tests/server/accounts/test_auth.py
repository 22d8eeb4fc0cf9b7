"""Who may come in, and with what: studio keys, one-time codes, node tokens."""

from __future__ import annotations

from datetime import timedelta
from io import StringIO

import pytest
from django.contrib.auth.models import User
from django.core.management import CommandError, call_command
from django.test import Client

from machines.errors import InputError
from scheduling.log.models import Event, Machine
from server import wiring
from server.accounts import enrolment, keys, tokens
from server.accounts.models import EnrolmentCode, Key, NodeCredential
from tests.server.conftest import enrol
from tests.server.keys import new_key
from tests.server.studio import Caller, HeldClock

STUDIO_PATHS = ["venues", "machines", "runs", "events", "outages", "notices", "openings", "sources", "profiles"]
NODE_PATHS = ["node/clock", "node/work"]


@pytest.mark.parametrize("path", [*STUDIO_PATHS, *NODE_PATHS, "plates/" + "0" * 64 + ".png"])
def test_nobody_comes_in_without_a_token(studio: Caller, path: str) -> None:
    response = Caller().get(path)
    assert response.status_code == 401
    assert response["WWW-Authenticate"] == "Bearer"
    assert response["Content-Type"] == "application/problem+json"


@pytest.mark.parametrize("token", ["nonsense", "studio_0000000000_x", "node_0000000000_x", "", "a b", "é", "x" * 5000])
@pytest.mark.parametrize("path", ["venues", "node/work"])
def test_a_wrong_token_opens_nothing(studio: Caller, token: str, path: str) -> None:
    assert Caller(token).get(path).status_code == 401


def test_a_right_prefix_with_a_wrong_secret_opens_nothing(studio: Caller) -> None:
    assert studio.token is not None
    assert Caller(tokens.prefix_of(studio.token) + "_" + "A" * 43).get("venues").status_code == 401
    assert studio.get("venues").status_code == 200


def test_another_scheme_opens_nothing(studio: Caller) -> None:
    assert Caller().get("venues", HTTP_AUTHORIZATION=f"Basic {studio.token}").status_code == 401


@pytest.mark.parametrize("path", [*STUDIO_PATHS, *NODE_PATHS])
def test_a_session_of_the_pages_opens_nothing_here(db: None, path: str) -> None:
    browser = Client()
    browser.force_login(User.objects.create_superuser("ada", password=None))
    assert browser.get(f"/api/v1/{path}").status_code == 401
    assert browser.post(f"/api/v1/{path}", "{}", content_type="application/json").status_code == 401


@pytest.mark.parametrize("name", ["key", "token", "access_token"])
def test_a_key_in_an_address_opens_nothing(studio: Caller, name: str) -> None:
    assert Caller().get(f"venues?{name}={studio.token}").status_code == 401
    assert studio.get(f"venues?{name}={studio.token}").status_code == 422


@pytest.mark.parametrize("path", STUDIO_PATHS)
def test_a_node_is_not_the_studio(node: Caller, path: str) -> None:
    assert node.get(path).status_code == 403


@pytest.mark.parametrize("path", NODE_PATHS)
def test_the_studio_is_not_a_node(furnished: Caller, path: str) -> None:
    assert furnished.get(path).status_code == 403
    assert furnished.post("node/reports", {"epoch": 1, "entries": []}).status_code == 403


@pytest.mark.parametrize("path", ["venues", "events", "keys"])
def test_what_a_key_opened_stays_in_no_cache(studio: Caller, path: str) -> None:
    for caller, status in ((studio, 200), (Caller(), 401)):
        response = caller.get(path)
        assert (response.status_code, response["Cache-Control"]) == (status, "no-store")


def test_who_did_it_stands_in_the_log_as_an_account_and_not_as_a_name(studio: Caller) -> None:
    from tests.server.studio import VENUE

    response = studio.post("venues", VENUE)
    event = Event.objects.get(kind="venue-added")
    assert studio.token is not None
    assert event.actor == tokens.prefix_of(studio.token)
    assert event.request == response["X-Request-Id"]


def test_a_new_server_lets_nobody_in(db: None) -> None:
    for kept in (User, Key, EnrolmentCode, NodeCredential):
        assert not kept.objects.exists()


def test_only_hashes_are_kept(node: Caller, studio: Caller) -> None:
    kept = [*Key.objects.values_list("digest", "prefix"), *NodeCredential.objects.values_list("digest", "prefix")]
    for token in (node.token, studio.token):
        assert token is not None
        secret = token.split("_", 2)[2]
        assert len(secret) == 43  # 256 bits in base 64
        assert not any(secret in column for row in kept for column in row)


def test_a_revoked_key_opens_nothing_and_its_name_may_have_another(studio: Caller, clock: HeldClock) -> None:
    with pytest.raises(InputError, match="has a key already"):
        new_key("tests")
    keys.revoke_key(keys.key_of("tests"), wiring.now())
    assert studio.get("venues").status_code == 401
    assert Caller(new_key("tests")).get("venues").status_code == 200
    with pytest.raises(InputError, match="no key that works"):
        keys.key_of("nobody")
    with pytest.raises(InputError, match="no key studio_0123456789 that works"):
        keys.revoke_key("studio_0123456789", wiring.now())


@pytest.mark.parametrize("name", ["", "   ", "x" * 61, "two\nlines"])
def test_a_key_is_for_somebody(db: None, clock: HeldClock, name: str) -> None:
    with pytest.raises(InputError, match="names nobody"):
        new_key(name)
    assert not Key.objects.exists()


def test_the_command_prints_a_key_that_works(db: None, clock: HeldClock) -> None:
    out, err = StringIO(), StringIO()
    call_command("studio_key", "workshop", stdout=out, stderr=err)
    assert Caller(out.getvalue().strip()).get("venues").status_code == 200
    call_command("studio_key", "--list", stdout=out)
    assert "workshop" in out.getvalue()
    with pytest.raises(CommandError, match="has a key already"):
        call_command("studio_key", "workshop", stdout=out)
    call_command("studio_key", "--revoke", "workshop", stdout=out, stderr=err)
    assert Caller(out.getvalue().split()[0]).get("venues").status_code == 401


def test_a_code_works_once(furnished: Caller) -> None:
    code = furnished.post("machines/wren-1/enrolment").json()["code"]
    first = Caller().post("node/enrol", {"code": code})
    assert first.status_code == 200
    assert first["Cache-Control"] == "no-store"
    told = {"machine": "wren-1", "epoch": 1, "earlier": [], "paper_position": 0}
    assert first.json() | {"token": ""} == told | {"token": ""}
    again = Caller().post("node/enrol", {"code": code})
    assert (again.status_code, again.json()["field"]) == (422, "code")
    assert NodeCredential.objects.count() == Machine.objects.get().epoch == 1


@pytest.mark.parametrize(
    "misread", [str.lower, lambda code: code.replace("-", " "), lambda code: code.replace("0", "O")]
)
def test_a_code_is_taken_as_people_write_it(furnished: Caller, misread: object) -> None:
    code = furnished.post("machines/wren-1/enrolment").json()["code"]
    assert callable(misread)
    assert Caller().post("node/enrol", {"code": misread(code)}).status_code == 200


def test_a_code_expires(furnished: Caller, clock: HeldClock) -> None:
    answer = furnished.post("machines/wren-1/enrolment").json()
    assert answer["expires_at"].endswith("Z")
    clock.at += enrolment.GOOD_FOR
    told = Caller().post("node/enrol", {"code": answer["code"]})
    assert (told.status_code, told.json()["problem"]) == (422, "the code has expired")
    assert Machine.objects.get().epoch == 0


@pytest.mark.parametrize(
    "body", [{"code": "AAAA-AAAA-AAAA"}, {"code": ""}, {"code": 5}, {}, {"code": "A", "more": 1}, []]
)
def test_a_wrong_code_is_refused(furnished: Caller, body: object) -> None:
    assert Caller().post("node/enrol", body).status_code == 422
    assert not NodeCredential.objects.exists()


def test_a_code_is_for_a_machine_that_exists(furnished: Caller) -> None:
    assert furnished.post("machines/nobody/enrolment").status_code == 404
    assert not EnrolmentCode.objects.exists()


def test_when_enrolling_fails_the_code_is_still_good(furnished: Caller, monkeypatch: pytest.MonkeyPatch) -> None:
    code = furnished.post("machines/wren-1/enrolment").json()["code"]
    with monkeypatch.context() as patch:
        patch.setattr(enrolment, "mint", lambda kind: 1 / 0)
        assert Caller().post("node/enrol", {"code": code}).status_code == 500
    assert Machine.objects.get().epoch == 0
    assert Caller().post("node/enrol", {"code": code}).json()["epoch"] == 1


def test_a_replaced_board_learns_that_it_is_fenced_off(furnished: Caller, clock: HeldClock) -> None:
    old = Caller(str(enrol(furnished)["token"]))
    assert old.get("node/work").status_code == 200
    clock.at += timedelta(hours=1)
    new = Caller(str(enrol(furnished)["token"]))
    for response in (
        old.get("node/work"),
        old.get("node/clock"),
        old.post("node/reports", {"epoch": 1, "entries": []}),
    ):
        told = response.json()
        assert (response.status_code, told["type"]) == (409, "/api/v1/problems/stale-epoch")
        assert (told["epoch"], told["current"]) == (1, 2)
    assert new.get("node/work").json()["epoch"] == 2


def test_codes_are_random_and_of_the_right_size() -> None:
    assert len(enrolment.ALPHABET) ** (enrolment.GROUPS * enrolment.LETTERS_IN_GROUP) == 2**60
    assert not set("ILOU") & set(enrolment.ALPHABET)
