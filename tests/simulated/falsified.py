"""What something in between makes of what goes through it: cut, emptied, or another thing in its place. Both ways.

What is changed so that it is still a message of ours in another sense is not played: nobody can tell it from a true one
but by the encryption of the connection.
"""

from __future__ import annotations

import json
from dataclasses import replace
from random import Random

from tests.faults.relay import Answer, Call

OTHERS = (
    b"",
    b"{}",
    b"[]",
    b"null",
    b"0",
    b'"ok"',
    b"true",
    b'{"detail": "ok"}',
    b'{"epoch": "1"}',
    b"[[{}]]",
    b"\x00",
)
PAGE = b"<!doctype html><title>Hello</title><p>Please come in."
STATUSES = (201, 202, 204, 206, 304, 400, 401, 403, 404, 407, 409, 418, 429, 500, 502)


def changed(body: bytes, dice: Random) -> bytes:
    """Octets that are no message of ours, made of those that may be one."""
    ways = (
        lambda: body[: dice.randrange(len(body))] if body else b"",
        lambda: dice.choice(OTHERS),
        lambda: PAGE,
        lambda: body + body,
        lambda: b"\xff\xfe" + body,
        lambda: body.decode("latin-1").encode("cp037", "replace"),
        lambda: json.dumps(body.decode("latin-1")).encode(),
        lambda: body.replace(b":", b"=", 1),
    )
    found = dice.choice(ways)()
    return found if found != body else body[:-1]


def changed_answer(answer: Answer, dice: Random) -> Answer:
    """An answer that is none of the server's: its body is another, or its status, or what its headers say of it."""
    way = dice.randrange(4)
    if way == 0 and answer.status < 300:
        return replace(answer, status=dice.choice([one for one in STATUSES if one != answer.status]))
    headers = answer.headers
    if way == 1:
        headers = [(name, "text/html" if name.lower() == "content-type" else value) for name, value in headers]
    elif way == 2:
        headers = [(name, value) for name, value in headers if name.lower() not in ("content-type", "etag")]
    return replace(answer, headers=headers, body=changed(answer.body, dice))


def changed_call(call: Call, dice: Random) -> Call:
    """A request that no node sends: its body is another, or a header is missing."""
    if call.body and dice.random() < 0.7:
        return replace(call, body=changed(call.body, dice))
    name = dice.choice(sorted(call.headers))
    return replace(call, headers={one: value for one, value in call.headers.items() if one != name})
