"""Which answers each call may have, beside the good one: each status by itself, with what a client makes of it."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from typing import Any

from server.api.problem_kinds import PROBLEM_KINDS
from server.api.problems import MEDIA_TYPE
from server.api.schema_components import REFERENCE

RESPONSE = "#/components/responses/{name}"


@dataclass(frozen=True)
class Answer:
    """A status that many calls may answer with.

    Attributes:
        said: when.
        heads: that come with it, and what they say.
    """

    said: str
    heads: Mapping[str, str]


NO_HEADS: Mapping[str, str] = {}
AGAIN = {"Retry-After": "After so many seconds the same request may be sent again."}
TAG = {"ETag": "The strong tag of what is there."}
ANSWERS: Mapping[int, Answer] = {
    304: Answer("What `If-None-Match` names is still it.", TAG),
    400: Answer("The body is not one JSON value as RFC 7493 has it, or the request is for another host.", NO_HEADS),
    401: Answer("There is no key or token, or it is not good.", {"WWW-Authenticate": "How to come in."}),
    404: Answer("There is no such thing.", NO_HEADS),
    409: Answer("It does not go with what is there.", AGAIN),
    410: Answer("It was closed away into an archive.", NO_HEADS),
    412: Answer("What `If-Match` names has changed since.", NO_HEADS),
    413: Answer("The body is larger than is taken.", NO_HEADS),
    415: Answer("The body is of a type that is not taken.", {"Accept": "Which are."}),
    422: Answer("A field, a parameter or a header cannot be used; `field` names it.", NO_HEADS),
    428: Answer("Say with `If-Match` what is to be replaced.", NO_HEADS),
    429: Answer("Too many wrong tries, or too much that is costly at a time.", AGAIN),
    500: Answer("A mistake of the server's; its log has the reason under the number in `instance`.", NO_HEADS),
    503: Answer("The server cannot do it at the moment.", AGAIN),
    507: Answer("The server's disk is full.", NO_HEADS),
}


def answer_components() -> dict[str, Any]:
    """All of them by name, with the kinds of problem that they may be."""
    return {_name(status): _described(status, answer) for status, answer in ANSWERS.items()}


def say_answers(operation: dict[str, Any], method: str, path: str) -> None:
    """Add to what is known of a call: nothing that it may answer is left to be guessed."""
    for status in sorted(_statuses(operation, method, path)):
        operation["responses"].setdefault(str(status), {"$ref": RESPONSE.format(name=_name(status))})


def _name(status: int) -> str:
    return f"Answer{status}"


def _described(status: int, answer: Answer) -> dict[str, Any]:
    heads = {"X-Request-Id": "The request's number, as in the server's log."} | dict(answer.heads)
    said: dict[str, Any] = {
        "description": _with_kinds(status, answer.said),
        "headers": {name: {"description": text, "schema": {"type": "string"}} for name, text in heads.items()},
    }
    if status >= 400:
        said["content"] = {MEDIA_TYPE: {"schema": {"$ref": REFERENCE.format(model="Problem")}}}
    return said


def _with_kinds(status: int, said: str) -> str:
    found = [f"`{kind.slug}` ({kind.title})" for kind in PROBLEM_KINDS.values() if kind.status == status]
    return f"{said} {'; '.join(found)}." if found else said


def _statuses(operation: Mapping[str, Any], method: str, path: str) -> Iterator[int]:
    yield from (400, 422, 429, 500, 503)
    if operation.get("security"):
        yield 401
    if "{" in path or path.endswith("calendar.ics"):  # without its secret, none is there
        yield from (404, 410)
    if "requestBody" in operation:
        yield from (413, 415)
    if method == "get":
        yield from (304, 412)
    else:
        yield from (409, 412, 507)
    if "/node/" in path or "plates" in path:
        yield 409
    if any(one["name"] == "If-Match" for one in operation.get("parameters", ())):
        yield 428
