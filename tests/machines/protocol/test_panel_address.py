"""Where people find a panel: what may be said of that, and what an address of a board tells."""

from __future__ import annotations

import pytest

from machines.errors import InputError
from machines.node.settings import Settings
from machines.protocol.panel_address import host_of, panel_address, served_at, told_panel_address

GOOD = (
    "http://machine-7.local:8370",
    "https://machine-7.example/",
    "http://192.168.4.1:8370",
    "http://[fe80::1]:8370",
    "HTTP://Machine-7:1",
)
BAD = (
    "",
    "machine-7.local:8370",
    "ftp://machine-7.local",
    "javascript:alert(1)",
    "http://user@machine-7.local",
    "http://machine-7.local/do",
    "http://machine-7.local:8370/?a=b",
    "http://machine-7.local#x",
    "http://machine-7.local:0",
    "http://machine-7.local:65536",
    "http://machine-7.local:8370 ",
    "http://machine-7.local\n",
    "http://m\u0430chine-7.local",
    "http://-machine",
    "http://[",
    f"http://{'a' * 120}",
)


@pytest.mark.parametrize("text", GOOD)
def test_an_address_of_a_page_with_nothing_behind_it_is_taken(text: str) -> None:
    assert panel_address(text) == told_panel_address(text) == text


@pytest.mark.parametrize("text", BAD)
def test_what_can_hide_something_is_refused(text: str) -> None:
    with pytest.raises(InputError, match="panel"):
        panel_address(text)
    assert told_panel_address(text) is None


def test_a_board_that_is_served_at_one_address_is_found_there() -> None:
    assert served_at(("192.168.4.1", 8370)) == "http://192.168.4.1:8370"
    assert served_at(("fd00::7", 8370)) == "http://[fd00::7]:8370"
    assert served_at(("machine-7.local", 8370)) == "http://machine-7.local:8370"


@pytest.mark.parametrize("address", [None, ("0.0.0.0", 8370), ("::", 8370), ("127.0.0.1", 8370), ("localhost", 1)])
def test_elsewhere_nobody_knows_unless_a_person_says_it(address: tuple[str, int] | None) -> None:
    assert served_at(address) is None
    if address is not None:
        assert Settings(panel=address).panel_found_at is None
        assert Settings(panel=address, panel_called=GOOD[0]).panel_found_at == GOOD[0]


def test_a_port_that_is_chosen_as_it_begins_is_not_told() -> None:
    assert served_at(("192.168.4.1", 0)) is None


def test_the_host_is_as_a_browser_says_it() -> None:
    assert host_of("http://Machine-7.local:8370/") == "machine-7.local"
    assert host_of("http://[fd00::7]:8370") == "fd00::7"
