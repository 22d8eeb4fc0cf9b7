"""What pages ask for again and again is answered with 304 where nothing but the time of looking is another."""

from __future__ import annotations

from datetime import timedelta
from urllib.parse import unquote

import pytest
from django.test import Client

from tests.server.studio import Caller, HeldClock


@pytest.mark.parametrize("address", ["/overview", "/machines/wren-1/now/fragment"])
def test_only_the_time_of_looking_is_told_where_nothing_else_is_new(
    printing: Caller, clock: HeldClock, address: str
) -> None:
    clock.at += timedelta(seconds=5)  # no minute begins meanwhile
    first = Client().get(address)
    assert f'data-asof="{unquote(first["As-Of"])}"' in first.content.decode()
    clock.at += timedelta(seconds=1)
    again = Client().get(address, HTTP_IF_NONE_MATCH=first["ETag"])
    assert (again.status_code, again.content) == (304, b"") and again["As-Of"]
    if address == "/overview":  # it counts seconds
        assert again["As-Of"] != first["As-Of"]
    clock.at += timedelta(minutes=20)
    later = Client().get(address, HTTP_IF_NONE_MATCH=first["ETag"])
    assert later.status_code == 200 and later["ETag"] != first["ETag"]


def test_what_is_not_there_is_not_there(printing: Caller) -> None:
    assert Client().get("/machines/nobody/now/fragment").status_code == 404
