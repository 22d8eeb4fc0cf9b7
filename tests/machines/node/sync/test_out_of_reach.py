"""Why a server is out of reach, found over real sockets, and what a person at the machine is told of it."""

from __future__ import annotations

import shutil
import socket
import subprocess
import sys
from contextlib import closing
from datetime import UTC, datetime
from pathlib import Path
from typing import get_args

import pytest

from machines.node.sync import connection, reachability
from machines.node.sync.client import Client, Limits
from machines.node.sync.connection import has_way
from machines.node.sync.errands import Trouble, attempt
from machines.node.sync.failures import FailureKind
from tests.machines.node.authority import Authority
from tests.machines.node.hostile import HTML, answer, json_answer
from tests.machines.node.listening import listening, over_tls
from tests.machines.node.over_http import studio, url
from tests.machines.node.relay import TOKEN, Studio

__all__ = ["studio", "url"]  # the fixtures

CLOCK = json_answer(b'{"received_at": "2026-09-21T14:13:20Z", "sent_at": "2026-09-21T14:13:20Z"}')
BOARD_CLOCK = datetime(1970, 1, 2, 3, 4, tzinfo=UTC)


def trouble(url: str, read_s: float = 20.0) -> Trouble:
    """With a server that is asked for the time."""
    with closing(Client(url, TOKEN, Limits(read_s=read_s))) as client:
        found = attempt(client.clock)
    assert found is not None
    return found


def told(found: Trouble) -> str:
    """What a person is told of it, at a board whose own clock is wrong."""
    moment = reachability.Moment(boot="b", elapsed_s=0.0)
    return reachability.standing(
        reachability.after_pass(reachability.Reach(), found, moment, 60.0, heard=False), moment, BOARD_CLOCK
    ).says


def test_there_are_words_for_every_kind() -> None:
    assert set(reachability.FAILURE_WORDS) == set(get_args(FailureKind))


def test_a_connection_that_is_refused_is_told_from_silence_and_from_one_that_breaks_off() -> None:
    with socket.socket() as closed:
        closed.bind(("127.0.0.1", 0))
        found = trouble(f"http://127.0.0.1:{closed.getsockname()[1]}")
    assert found.kind == "closed" and found.is_cut_off
    assert "refused: the server does not run, or the address is wrong" in told(found)
    for scheme in ("http", "https"):
        with listening(None) as port:
            found = trouble(f"{scheme}://127.0.0.1:{port}", read_s=0.3)
        assert found.kind == "silent" and not found.is_cut_off
        assert "the router has no internet" in told(found)
        with listening(lambda connection: None) as port:
            found = trouble(f"{scheme}://127.0.0.1:{port}")
        assert found.kind == "broke-off"
        assert "cuts connections" in told(found)


def test_a_name_that_is_not_found_is_said_where_there_is_a_network() -> None:
    found = trouble("http://dayroll.invalid")
    assert found.kind == ("name" if has_way() else "network") and found.is_cut_off
    assert ("name is not found" if has_way() else "look at the wifi") in told(found)


def apart() -> list[str]:
    """What runs a command in a network of its own, which has nothing in it; empty where this computer lets nobody."""
    unshare = shutil.which("unshare")
    command = [] if unshare is None else [unshare, "--user", "--net"]
    if command and subprocess.run([*command, "true"], capture_output=True, check=False).returncode == 0:
        return command
    return []


def test_without_a_network_that_is_said_whether_a_name_was_asked_for_or_an_address(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    if not apart():  # then at least where a name is asked for, and nothing is tried for a way
        monkeypatch.setattr(connection, "_NOBODY", ())
        assert trouble("http://dayroll.invalid").kind == "network"
        return
    program = (
        "from machines.node.sync.client import Client\n"
        "from machines.node.sync.failures import Unreachable\n"
        "for url in ('http://dayroll.invalid', 'https://192.0.2.1'):\n"
        "    try:\n        Client(url).clock()\n"
        "    except Unreachable as error:\n        print(error.kind)\n"
    )
    done = subprocess.run([*apart(), sys.executable, "-c", program], capture_output=True, text=True, check=True)
    assert done.stdout.split() == ["network", "network"]


@pytest.mark.parametrize(
    "octets",
    [
        answer("302 Found", b"", "Location: https://portal.invalid/"),
        answer("307 Temporary Redirect", b"", "Location: http://127.0.0.1/"),
        answer("200 OK", HTML, "Content-Type: text/html"),
        answer("511 Network Authentication Required", HTML, "Content-Type: text/html"),
        answer("502 Bad Gateway", HTML, "Content-Type: text/html"),
    ],
)
def test_a_portal_and_a_proxy_are_told(studio: Studio, url: str, octets: bytes) -> None:
    studio.instead = lambda path: [octets]
    found = trouble(url)
    assert found.kind == "between"
    assert "wants to be signed in to (portal)" in told(found)


def test_a_portal_without_tls_where_tls_was_asked_for_is_told(studio: Studio, url: str) -> None:
    studio.instead = lambda path: [answer("302 Found", b"", "Location: http://portal.invalid/")]
    found = trouble(url.replace("http:", "https:"))
    assert found.kind == "plain" and found.is_cut_off
    assert "open any page with a phone in the same network" in told(found)


@pytest.mark.parametrize(
    ("days", "host", "trusted", "kind", "words"),
    [
        ((-9, -1), "127.0.0.1", True, "certificate-expired", "has expired: ring the studio"),
        ((-9, -1), "127.0.0.1", True, "certificate-expired", "By this board's own clock it is 1970-01-02 03:04 UTC"),
        ((1, 8), "127.0.0.1", True, "certificate-early", "By this board's own clock it is 1970-01-02 03:04 UTC"),
        ((1, 8), "127.0.0.1", True, "certificate-early", "needs its time service (NTP): switch it on"),
        ((-1, 8), "elsewhere.invalid", True, "certificate-host", "another server's"),
        ((-1, 8), "192.0.2.1", True, "certificate-host", "or the address is wrong"),
        ((-1, 8), "127.0.0.1", False, "certificate-issuer", "nobody known to this board vouches"),
    ],
)
def test_a_certificate_that_cannot_be_trusted_is_told_by_what_is_wrong_with_it(
    tmp_path: Path,
    monkeypatch: pytest.MonkeyPatch,
    days: tuple[float, float],
    host: str,
    trusted: bool,
    kind: FailureKind,
    words: str,
) -> None:
    authority = Authority(tmp_path)
    if trusted:
        monkeypatch.setenv("SSL_CERT_FILE", str(authority.file))
    with listening(over_tls(authority.context(*days, host), lambda: [CLOCK])) as port:
        found = trouble(f"https://127.0.0.1:{port}")
    assert found.kind == kind and found.is_cut_off
    assert words in told(found)


def test_a_certificate_that_is_good_is_taken(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    authority = Authority(tmp_path)
    monkeypatch.setenv("SSL_CERT_FILE", str(authority.file))
    with (
        listening(over_tls(authority.context(-1, 8, "127.0.0.1"), lambda: [CLOCK])) as port,
        closing(Client(f"https://127.0.0.1:{port}", TOKEN)) as client,
    ):
        assert client.clock()[0] == 1_790_000_000.0
