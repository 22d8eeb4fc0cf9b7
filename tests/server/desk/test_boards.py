"""The board of a machine on the pages: a code, shown once; cancelling codes; shutting a board out."""

from __future__ import annotations

import re

import pytest
from django.test import Client

from scheduling.log.models import Event
from server.accounts.models import EnrolmentCode
from server.console.qr_code import qr_svg
from server.desk.boards import enrol_command
from tests.server.conftest import enrol
from tests.server.desk.pages import kept, shown, signed_in
from tests.server.studio import MACHINE, PROFILE, VENUE, Caller

CODE = re.compile(r'class="code">([0-9A-Z]{4}-[0-9A-Z]{4}-[0-9A-Z]{4})<')


@pytest.fixture
def person(studio: Caller) -> Client:
    for resource, body in (("venues", VENUE), ("profiles", PROFILE), ("machines", MACHINE)):
        studio.create(resource, body)
    return signed_in()


def test_what_a_code_means_is_said_before_there_is_one(person: Client) -> None:
    page = shown(person, "/machines/wren-1/board/code")
    assert "it is fenced off" in page and "It is good once, for a day." in page
    assert not EnrolmentCode.objects.exists()


def test_a_code_is_shown_once_with_its_command_and_cautions_and_works(person: Client) -> None:
    page = shown(person, "/machines/wren-1/board/code", {})
    code = CODE.search(page)
    assert code is not None and "<svg" in page
    assert "dayroll-node enrol --server http://testserver --plain-http --home /var/lib/dayroll-node" in page
    assert "Arming the knife lets it cut by itself" in page and "A stop control that cuts the power" in page
    assert code[1] not in shown(person, "/machines/wren-1/board")
    assert Caller().post("node/enrol", {"code": code[1]}).json()["machine"] == "wren-1"
    assert "the 1st" in shown(person, "/machines/wren-1/board")
    made = Event.objects.get(kind="code-made")
    assert made.actor.startswith("user:")


def test_codes_are_listed_with_who_made_them_and_cancelled(person: Client) -> None:
    assert "Cancel its codes" not in shown(person, "/machines/wren-1/board")
    shown(person, "/machines/wren-1/board/code", {})
    page = shown(person, "/machines/wren-1/board")
    assert "still good, until 2026-03-21 06:00" in page and "by robin" in page
    assert "good for nothing from then on" in shown(person, "/machines/wren-1/board/cancel")
    page = shown(person, "/machines/wren-1/board/cancel", {})
    assert "Its codes are good for nothing now." in page and "cancelled" in page and "Cancel its codes" not in page


def test_a_board_is_shut_out_only_where_there_is_one(person: Client, studio: Caller) -> None:
    assert "Shut its board out" not in shown(person, "/machines/wren-1/board")
    assert "no board of" in shown(person, "/machines/wren-1/board/revoke", {})
    token = enrol(studio)["token"]
    assert "This stops no machine." in shown(person, "/machines/wren-1/board/revoke")
    page = shown(person, "/machines/wren-1/board/revoke", {})
    assert "Its board comes in no more." in page and "Shut out" in page and "Shut its board out" not in page
    assert Caller(str(token)).get("node/work").status_code == 409


def test_a_reader_sees_which_board_it_is_and_makes_no_code(person: Client) -> None:
    reader = signed_in("reader")
    assert "Make a code" not in shown(reader, "/machines/wren-1/board")
    for act in ("code", "cancel", "revoke"):
        assert reader.get(f"/machines/wren-1/board/{act}").status_code == 403
        assert reader.post(f"/machines/wren-1/board/{act}").status_code == 403
    assert not EnrolmentCode.objects.exists()
    assert person.get("/machines/wren-1/board/other").status_code == 404
    assert Client().post("/machines/wren-1/board/code").status_code == 302


def test_no_code_is_made_for_a_machine_that_was_put_away(person: Client, studio: Caller) -> None:
    shown(person, "/machines/wren-1/board/code", {})
    kept(person, "/machines/wren-1/retire", {})
    page = shown(person, "/machines/wren-1/board")
    assert "Make a code" not in page and "Cancel its codes" in page
    page = shown(person, "/machines/wren-1/board/code")
    assert "It is put away. Take it back first." in page and 'href="/machines/wren-1/take-back"' in page
    assert person.post("/machines/wren-1/board/code").status_code == 409
    assert EnrolmentCode.objects.count() == 1
    kept(person, "/machines/wren-1/take-back", {})
    assert CODE.search(shown(person, "/machines/wren-1/board/code", {}))


@pytest.mark.parametrize(
    ("server", "said"),
    [
        ("https://prints.example/", "--server https://prints.example --home"),
        ("http://127.0.0.1:8000/", "--server http://127.0.0.1:8000 --home"),
        ("http://studio.local/", "--server http://studio.local --plain-http --home"),
    ],
)
def test_the_command_says_where_the_way_is_not_encrypted(server: str, said: str) -> None:
    assert said in enrol_command(server)


def test_a_square_holds_nothing_but_squares() -> None:
    svg = qr_svg("<b>0000-0000-0000")
    assert svg.startswith("<svg") and "<b>" not in svg and "style=" not in svg
