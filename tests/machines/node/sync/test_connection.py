"""How long an answer may take and be, over real sockets."""

from __future__ import annotations

import time
from collections.abc import Callable, Iterator
from contextlib import closing
from pathlib import Path

import pytest

from machines.node.sync.client import LIMITS, Client, Limits
from machines.node.sync.failures import FailureKind, Unreachable
from machines.node.work.plate_cache import longest_png
from tests.machines.node.authority import Authority
from tests.machines.node.hostile import answer
from tests.machines.node.listening import listening, over_tls
from tests.machines.node.over_http import studio, url
from tests.machines.node.relay import TOKEN, Studio, line_profile, picture

__all__ = ["studio", "url"]  # the fixtures

HURRY = Limits(read_s=2.0, answer_s=0.5, least_octets_per_s=1e6)
# What comes at once, and what drips after it. No media type is said, so that it may be a plate.
DRIPS = {
    "body": (answer("200 OK", length=100_000), b" " * 100),
    "head": (b"HTTP/1.1 200 OK\r\nX-Padding: ", b"x" * 100),
    "chunks": (answer("200 OK", b"", "Transfer-Encoding: chunked"), b"1\r\n \r\n" * 20),
    "length of a chunk": (answer("200 OK", b"", "Transfer-Encoding: chunked"), b"0" * 100),
    "error": (answer("502 No", b"", "Content-Type: application/problem+json", length=100_000), b" " * 100),
    "promise to go on": (b"", b"HTTP/1.1 100 Continue\r\n\r\n" * 5),
}


def kind_of(call: Callable[[], object]) -> FailureKind:
    """Why a call does not come through."""
    with pytest.raises(Unreachable) as error:
        call()
    return error.value.kind


def test_the_limits_in_time_are_these() -> None:
    assert Limits(read_s=20.0, answer_s=60.0, least_octets_per_s=16_384.0) == LIMITS


def dripping(what: str) -> Iterator[bytes]:
    """An octet each twentieth of a second."""
    at_once, dripped = DRIPS[what]
    yield at_once
    for octet in dripped:
        time.sleep(0.05)
        yield bytes([octet])


@pytest.mark.parametrize("what", DRIPS)
def test_an_answer_that_drips_ends_with_its_time(studio: Studio, url: str, what: str) -> None:
    studio.instead = lambda path: dripping(what)
    with closing(Client(url, TOKEN, HURRY)) as client:
        for call in (client.clock, lambda: client.work("PT1H", None), lambda: [*client.plate("0" * 64, 10_000)]):
            began = time.monotonic()
            assert kind_of(call) == "slow"
            assert time.monotonic() - began < 4.0, "the whole of it takes five seconds and more"


@pytest.mark.parametrize("what", ["body", "head", "chunks"])
def test_an_answer_that_drips_over_tls_ends_with_its_time_too(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, what: str
) -> None:
    authority = Authority(tmp_path)
    monkeypatch.setenv("SSL_CERT_FILE", str(authority.file))
    with (
        listening(over_tls(authority.context(-1, 8, "127.0.0.1"), lambda: dripping(what))) as port,
        closing(Client(f"https://127.0.0.1:{port}", TOKEN, HURRY)) as client,
    ):
        began = time.monotonic()
        assert kind_of(client.clock) == "slow"
        assert time.monotonic() - began < 4.0


def test_an_answer_that_does_not_end_is_read_no_further_than_any_of_the_servers(studio: Studio, url: str) -> None:
    sent = 0

    def go_on(path: str) -> Iterator[bytes]:
        nonlocal sent
        yield answer("200 OK", b"", "Transfer-Encoding: chunked")
        while sent < 2**30:
            sent += 65_536
            yield b"10000\r\n" + b" " * 65_536 + b"\r\n"

    studio.instead = go_on
    with closing(Client(url, TOKEN)) as client:
        assert kind_of(client.clock) == "endless"
        assert kind_of(lambda: [*client.plate("0" * 64, 100_000)]) == "endless"
    assert sent < 2**26


@pytest.mark.parametrize(
    ("call", "most"), [("clock", 262_144), ("work", 16_777_216), ("plate", 10_000)], ids=["clock", "work", "plate"]
)
def test_an_answer_has_a_limit_in_octets(studio: Studio, url: str, call: str, most: int) -> None:
    def ask(length: int) -> object:
        media_type = "image/png" if call == "plate" else "application/json"
        octets = answer("200 OK", b" " * length, f"Content-Type: {media_type}", "Connection: close")
        studio.instead = lambda path: [octets]
        with closing(Client(url, TOKEN)) as client:
            if call == "plate":
                return len(b"".join(client.plate("0" * 64, 10_000)))
            return client.clock() if call == "clock" else client.work("PT1H", None)

    if call == "plate":
        assert ask(most) == most
    else:
        assert kind_of(lambda: ask(most)) == "unreadable", "blanks are no JSON, but they were read to their end"
    assert kind_of(lambda: ask(most + 1)) == "endless"


def test_a_plate_may_be_as_long_as_its_dots_make_it() -> None:
    profile = line_profile()
    assert longest_png(profile) == 69_232  # 40 rows of 90 octets and a filter, a 64th of that, and 64 KiB
    assert len(picture(profile).to_png()) < 69_232
