"""Answers that no server of ours gives, whole with their heads."""

from __future__ import annotations

import json
from typing import Any

HTML = b"<html><body>Welcome to the network of this house.</body></html>"
OURS = "/api/v1/problems/"
DEEP = b"[" * 200_000
# A number too large for a float, as JSON can write it and Python cannot.
HUGE = b"1e400"


def answer(status: str, body: bytes = b"", *headers: str, length: int | None = None) -> bytes:
    """As it goes over the line; its length may be a lie."""
    lines = [f"HTTP/1.1 {status}", *headers]
    if not any(header.startswith(("Transfer-Encoding", "Content-Length")) for header in headers):
        lines.append(f"Content-Length: {len(body) if length is None else length}")
    return "\r\n".join([*lines, "", ""]).encode("latin-1") + body


def json_answer(body: bytes, status: str = "200 OK") -> bytes:
    """Of the server's media type, and the last over its connection, as it says."""
    kind = "application/json" if status.startswith("2") else "application/problem+json"
    return answer(status, body, f"Content-Type: {kind}", "Connection: close")


def problem(status: str, type: str, **members: Any) -> bytes:
    """Problem details, said to be such."""
    return json_answer(json.dumps({"type": type, "title": "No", "detail": "because", **members}).encode(), status)


ANYWHERE = {
    "504 cut short": answer("504 Gateway Timeout", b"<html><body>5", "Content-Type: text/html", length=5000),
    "502 empty, said to be long": answer("502 Bad Gateway", length=5000),
    "502 gzip that is none": answer("502 Bad Gateway", b"garbage", "Content-Encoding: gzip"),
    "502 deflate that is none": answer("502 Bad Gateway", b"garbage", "Content-Encoding: deflate"),
    "502 of two encodings": answer("502 Bad Gateway", b"garbage", "Content-Encoding: gzip, br"),
    "502 bad chunk": answer("502 Bad Gateway", b"zz\r\nno chunk\r\n", "Transfer-Encoding: chunked"),
    "502 chunk cut short": answer("502 Bad Gateway", b"ff\r\nshort", "Transfer-Encoding: chunked"),
    "502 problem cut short": answer("502 No", b'{"type"', "Content-Type: application/problem+json", length=900),
    "502 problem, bad chunk": answer(
        "502 No", b"zz\r\n{}", "Content-Type: application/problem+json", "Transfer-Encoding: chunked"
    ),
    "200 gzip that is none": answer("200 OK", b"{}", "Content-Type: application/json", "Content-Encoding: gzip"),
    "200 bad chunk": answer("200 OK", b"zz\r\nno chunk\r\n", "Transfer-Encoding: chunked"),
    "200 negative chunk": answer("200 OK", b"-5\r\nno chunk\r\n", "Transfer-Encoding: chunked"),
    "200 chunked and of a length": answer("200 OK", b"{}", "Transfer-Encoding: chunked", "Content-Length: 2"),
    "200 of two lengths": answer("200 OK", b"{}", "Content-Length: 2, 7"),
    "200 of a length that is none": answer("200 OK", b"{}", "Content-Length: -7"),
    "200 deep": json_answer(DEEP),
    "200 deep and whole": json_answer(b"[" * 50_000 + b"]" * 50_000),
    "409 deep": json_answer(DEEP, "409 Conflict"),
    "200 empty": answer("200 OK"),
    "200 nothing": json_answer(b"null"),
    "200 a list": json_answer(b"[]"),
    "200 a number": json_answer(b"7"),
    "200 no UTF-8": json_answer(b'{"epoch": "\xff\xfe"}'),
    "200 no number": json_answer(b'{"epoch": NaN, "accepted_through": Infinity}'),
    "200 a number of five thousand digits": json_answer(b"9" * 5000),
    "portal": answer("200 OK", HTML, "Content-Type: text/html"),
    "portal that says it is JSON": json_answer(HTML),
    "redirect": answer("302 Found", b"", "Location: http://portal.invalid/login"),
    "redirect to itself": answer("307 Temporary Redirect", b"", "Location: /api/v1/node/work"),
    "redirect to nowhere": answer("308 Permanent Redirect", b"", "Location: http://[::"),
    "204": answer("204 No Content"),
    "304": answer("304 Not Modified"),
    "401 of a portal": answer("401 Unauthorized", HTML, "WWW-Authenticate: Basic"),
    "407": answer("407 Proxy Authentication Required", HTML),
    "413 of a proxy": answer("413 Payload Too Large", HTML),
    "418 with a reason of octets": answer("418 \xe9\xff\x80", HTML),
    "status 999": answer("999 Never"),
    "no HTTP": b"SSH-2.0-OpenSSH_9.2\r\n",
    "nothing at all": b"",
    "half a head": b"HTTP/1.1 200 OK\r\nContent-",
    "a thousand headers": answer("200 OK", b"{}", *(f"X-{n}: y" for n in range(1000))),
    "an endless header": b"HTTP/1.1 200 OK\r\nX: " + b"y" * 100_000 + b"\r\n\r\n",
    "100 and then nothing": b"HTTP/1.1 100 Continue\r\n\r\n" * 1000,
    "503 of a day": answer("503 Service Unavailable", b"", "Retry-After: 86400"),
    "503 of a year": problem("503 Service Unavailable", "about:blank").replace(
        b"\r\n", b"\r\nRetry-After: 31536000\r\n", 1
    ),
    "503 of 400 digits": answer("503 Service Unavailable", b"", f"Retry-After: {'9' * 400}"),
    "503 of a superscript": answer("503 Service Unavailable", b"", "Retry-After: \xb2"),
    "503 until the end": answer("503 Service Unavailable", b"", "Retry-After: Fri, 31 Dec 9999 23:59:59 GMT"),
    "503 until nonsense": answer("503 Service Unavailable", b"", "Retry-After: Mon, 99 Foo", "Date: yesterday"),
    "fence of another status": problem("403 Forbidden", OURS + "stale-epoch", epoch=1, current=2),
    "fence that is a success": problem("200 OK", OURS + "stale-epoch", epoch=1, current=2),
    "fence of another host": problem("409 No", f"https://host.invalid{OURS}stale-epoch", epoch=1, current=2),
    "fence of another path": problem("409 No", "/stale-epoch", epoch=1, current=2),
    "fence that names no epoch": problem("409 No", OURS + "stale-epoch"),
    "fence of an earlier epoch": problem("409 No", OURS + "stale-epoch", epoch=2, current=1),
    "fence of true": problem("409 No", OURS + "stale-epoch", epoch=False, current=True),
    "fence that is no problem": answer(
        "409 No",
        json.dumps({"type": OURS + "stale-epoch", "epoch": 1, "current": 2}).encode(),
        "Content-Type: application/json",
    ),
    "journal that differs nowhere": problem("409 No", OURS + "journal-differs"),
    "journal that differs at a word": problem("409 No", OURS + "journal-differs", seq="abc"),
    "journal that differs at another status": problem("422 No", OURS + "journal-differs", seq=1),
    "a type that is no address": problem("409 No", "http://[x/stale-epoch", epoch=1, current=2),
    **{
        f"missing from {expected!r}": problem("409 No", OURS + "missing-entries", expected=expected)
        for expected in ("abc", None, 10**30, -1, 0, True, 1.5, [])
    },
    "missing from 1e400": json_answer(
        b'{"type": "/api/v1/problems/missing-entries", "expected": ' + HUGE + b"}", "409 No"
    ),
    "missing from far ahead": problem("409 No", OURS + "missing-entries", expected=999_999_999),
}
OF_CLOCK = {
    f"clock of {at}": json_answer(json.dumps({"received_at": at, "sent_at": at}).encode())
    for at in ("9999-12-31T23:59:59.999999Z", "0001-01-01T00:00:00Z", "1970-01-01T00:00:00Z", "", 7, None, "now")
} | {
    "clock that runs back": json_answer(b'{"received_at": "2026-09-21T14:13:21Z", "sent_at": "2026-09-21T14:13:20Z"}'),
}
OF_REPORTS = {
    f"accepted {through!r}": json_answer(json.dumps({"accepted_through": through}).encode())
    for through in (True, False, 10**30, -1, 1.5, "1", None, [])
} | {"accepted 1e400": json_answer(b'{"accepted_through": ' + HUGE + b"}")}
