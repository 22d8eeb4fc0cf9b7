"""Answers that no server of ours gives, as proxies, portals and things gone wrong in between do: raw octets."""

from __future__ import annotations

import random
import time
from collections.abc import Callable, Iterator

# More than any answer of ours; a node that is still reading by then reads for ever.
ENDLESS_BYTES = 48 * 2**20
CHUNK = b"\x20" * 65536
DRIP_S = 0.2
DEEP = 20_000

Octets = Iterator[bytes]


def _answer(status: str, *headers: str, body: bytes = b"") -> bytes:
    lines = [f"HTTP/1.1 {status}", "Connection: close", *headers]
    return "\r\n".join(lines).encode("latin-1") + b"\r\n\r\n" + body


BROKEN_ERRORS = (
    _answer("504 Gateway Timeout", "Content-Type: text/html", "Content-Length: 5000", body=b"<html><body>5"),
    _answer("502 Bad Gateway", "Content-Type: text/html", "Content-Length: 5000", body=b""),
    _answer("502 Bad Gateway", "Content-Encoding: gzip", "Content-Length: 7", body=b"garbage"),
    _answer("502 Bad Gateway", "Content-Encoding: deflate", "Content-Length: 7", body=b"garbage"),
    _answer("502 Bad Gateway", "Transfer-Encoding: chunked", body=b"zz\r\nno chunk\r\n"),
    _answer("200 OK", "Content-Type: application/json", "Content-Encoding: gzip", "Content-Length: 2", body=b"{}"),
    _answer("200 OK", "Content-Type: application/json", f"Content-Length: {2 * DEEP}", body=b"[" * DEEP + b"]" * DEEP),
    _answer("409 Conflict", "Content-Type: application/problem+json", "Content-Length: 2", body=b"[]"),
)
SENT_AWAY = tuple(
    _answer("503 Service Unavailable", f"Retry-After: {after}", "Content-Length: 0")
    for after in ("86400", "31536000", "9" * 400, "\xb2", "-5", "Fri, 31 Dec 9999 23:59:59 GMT")
)
REDIRECTS = tuple(
    _answer(status, f"Location: {where}", "Content-Length: 0")
    for status in ("302 Found", "307 Temporary Redirect", "308 Permanent Redirect")
    for where in ("http://portal.invalid/login", "/api/v1/node/work", "")
)


def one_of(answers: tuple[bytes, ...], dice: random.Random) -> Octets:
    """One answer."""
    return iter([dice.choice(answers)])


def endless(goes_on: Callable[[], bool]) -> Octets:
    """An answer that begins well and goes on and on."""
    yield _answer("200 OK", "Content-Type: application/json", body=b'{"epoch": 1, "more": "')
    sent = 0
    while goes_on() and sent < ENDLESS_BYTES:
        yield CHUNK
        sent += len(CHUNK)


def dripping(goes_on: Callable[[], bool]) -> Octets:
    """An answer of which each octet comes within any limit on a single read."""
    yield _answer("200 OK", "Content-Type: application/json", "Content-Length: 100000")
    while goes_on():
        time.sleep(DRIP_S)
        yield b" "
