"""Where a machine's panel is: as its board says it, on the day's sheet and on the machine's page."""

from __future__ import annotations

from typing import Any

import pytest
from django.test import Client

from scheduling.log.models import Heartbeat
from tests.server.api.test_node_calls import work_of
from tests.server.desk.pages import shown, signed_in
from tests.server.studio import Caller

CALLED = "http://machine-7.local:8437"


def tell(node: Caller, **said: Any) -> None:
    """As the node: how it is."""
    work = work_of(node)
    status = {
        "at": "2026-03-20T06:00:00Z",
        "next_column": None,
        "paper_position": 0,
        "clock_error_s": 0.1,
        "knife_armed": False,
        "held_until": None,
    }
    body = {"epoch": work.epoch, "entries": [], "status": status | said}
    assert node.post("node/reports", body).status_code == 200


def test_it_is_shown_as_text_and_as_a_code_to_point_a_telephone_at(furnished: Caller, node: Caller) -> None:
    tell(node, panel=CALLED)
    sheet, page = shown(Client(), "/venues/quay/today"), shown(signed_in(), "/machines/wren-1")
    for one in (sheet, page):
        assert f'<strong class="address">{CALLED}</strong>' in one
        assert "The address of the panel of Wren 1 as a QR code" in one and "<svg" in one
        assert f'href="{CALLED}' not in one, "it is a board's word"


@pytest.mark.parametrize("said", [None, "javascript:alert(1)", f"{CALLED}/elsewhere", "http://" + "a" * 200])
def test_where_no_board_said_it_the_pages_say_how_to_find_it(furnished: Caller, node: Caller, said: str | None) -> None:
    tell(node, panel=said)
    assert Heartbeat.objects.get().status["panel"] is None
    assert "the address stands on the card beside the machine" in shown(Client(), "/venues/quay/today")
    page = shown(signed_in(), "/machines/wren-1")
    assert "Its board has not said where." in page and "--panel-called URL" in page


def test_an_older_board_that_says_nothing_of_it_is_taken(furnished: Caller, node: Caller) -> None:
    tell(node)
    assert "the address stands on the card beside the machine" in shown(Client(), "/venues/quay/today")


def test_before_a_board_was_enrolled_that_is_said(furnished: Caller) -> None:
    assert "No board was enrolled yet." in shown(signed_in(), "/machines/wren-1")
