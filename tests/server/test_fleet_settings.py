"""Every setting of the server can be said to a fleet, or it is named why not."""

from __future__ import annotations

import re
from pathlib import Path

import pytest

from server import settings
from tests.server.compose_file import OURS, SERVICES, environment, told

SERVER = Path(__file__).parents[2] / "server"
# A setting that is not handed to each part, and why.
NOT_HANDED = {
    "DAYROLL_HOME": "the image says it",
    "DAYROLL_LOG_KEY": "for `migrate` alone, as the others are not to read the key",
    "DAYROLL_MAIL_PASSWORD_FILE": "for `sender` alone",
    "DAYROLL_CLOCK": "for demonstrations",
    "DAYROLL_STORE": "for who reads or writes plates and uploads alone",
    "DAYROLL_STORE_PASSWORD_FILE": "for the same",
}


def settings_told() -> set[str]:
    """Those of the table in the server's settings."""
    return set(re.findall(r"^\| (DAYROLL_\w+) \|", settings.__doc__ or "", re.MULTILINE))


def test_the_table_has_every_setting_that_is_read() -> None:
    code = (SERVER / "settings.py").read_text().partition('"""\n\nfrom')[2]
    read = set(re.findall(r'"(DAYROLL_\w+)"', code))
    # Beside an address that may have a password in it, a file with it is read.
    with_password = {name for name in read if f"{name}_PASSWORD_FILE" in settings_told()}
    assert with_password == {"DAYROLL_DATABASE", "DAYROLL_BROKER", "DAYROLL_MAIL", "DAYROLL_STORE"}
    elsewhere = {"DAYROLL_CLOCK"}  # read where the clock is made
    assert read | {f"{name}_PASSWORD_FILE" for name in with_password} | elsewhere == settings_told()


@pytest.mark.parametrize("name", OURS)
def test_a_part_is_handed_every_setting(name: str) -> None:
    handed = environment(name, {}).keys() & settings_told()
    assert settings_told() - NOT_HANDED.keys() <= handed
    assert ("DAYROLL_LOG_KEY" in handed) is (name == "migrate")
    assert ("DAYROLL_MAIL_PASSWORD_FILE" in handed) is (name == "sender")
    for setting in ("DAYROLL_STORE", "DAYROLL_STORE_PASSWORD_FILE"):
        assert (setting in handed) is (name in ("web", "worker", "drawer"))
    assert not handed & {"DAYROLL_HOME", "DAYROLL_CLOCK"}
    assert "DAYROLL_HOME=/var/lib/dayroll" in (SERVER.parent / "docker" / "server.Dockerfile").read_text()


@pytest.mark.parametrize("name", OURS)
def test_what_whoever_starts_it_says_is_handed_on(name: str) -> None:
    """By the name of the setting itself; what is not said is empty, and as usual."""
    for setting, value in SERVICES[name]["environment"].items():
        if "$" in str(value):
            assert re.fullmatch(rf"(.*,)?\$\{{{setting}:-[^}}]*\}}", value), setting
            assert environment(name, {setting: "seven"})[setting].endswith("seven")


def test_a_dollar_that_is_read_otherwise_is_found() -> None:
    assert told("a ${X:-b} $$(c)", {}) == "a b $(c)"
    for wrong in ("$X", "${X}", "${X-b}", "$(c)"):
        with pytest.raises(ValueError, match=r"\$\$"):
            told(wrong, {})
