"""Every error on the API as problem details, RFC 9457.

`describe` says what an exception means to a client; it reads like an index, one entry a kind of error. What has no
entry is our own mistake: it is logged with the request's number, and the client gets only that number.
"""

from __future__ import annotations

import errno
import logging
from dataclasses import dataclass, field, replace
from functools import singledispatch
from http import HTTPStatus
from typing import Any

from django.db import InternalError, OperationalError
from django.http import Http404
from rest_framework.exceptions import APIException, NotFound
from rest_framework.renderers import JSONRenderer
from rest_framework.response import Response

from machines.errors import InputError
from machines.structure import format_instant
from scheduling.log.store import LostRace
from scheduling.override import NothingOpen
from scheduling.reports import JournalDiffers, MissingEntries, StaleEpoch
from scheduling.studio import Taken
from server.accounts.attempts import TooManyTries
from server.readings import readings_of
from server.request_id import request_id

logger = logging.getLogger(__name__)

MEDIA_TYPE = "application/problem+json"
TRY_AGAIN_AFTER_S = 5
LONGEST_SAID = 300


@dataclass(frozen=True)
class Kind:
    """A type of problem of our own: its last path segment, status, title, and what a client should make of it."""

    slug: str
    status: HTTPStatus
    title: str
    meaning: str

    @property
    def type(self) -> str:
        """The problem type, a URI reference with a full path (RFC 9457 section 3.1.1)."""
        return f"/api/v1/problems/{self.slug}"


BAD_INPUT = Kind(
    "bad-input",
    HTTPStatus.UNPROCESSABLE_ENTITY,
    "Something given cannot be used",
    "The request was understood, but one of its fields cannot be used: `field` says where it stands, `problem` what is "
    "wrong with it and `remedy` what would be right. Nothing was written. Sending it again unchanged cannot help.",
)
UNREADABLE = Kind(
    "unreadable-body",
    HTTPStatus.BAD_REQUEST,
    "The body cannot be read",
    "The body is not one JSON value in UTF-8 as RFC 7493 (I-JSON) describes it. Nothing was written.",
)
TOO_LARGE = Kind(
    "body-too-large",
    HTTPStatus.REQUEST_ENTITY_TOO_LARGE,
    "The body is too large",
    "The body is longer than the server takes. Send it in parts; a node halves its batch of reports.",
)
TAKEN = Kind(
    "taken",
    HTTPStatus.CONFLICT,
    "The id is in use",
    "What was to be added has the id of something that exists. Nothing was written. Choose another id.",
)
STALE_EPOCH = Kind(
    "stale-epoch",
    HTTPStatus.CONFLICT,
    "Another board has taken over",
    "The machine has had a later enrolment, of epoch `current`. Nothing was written. A node that gets this stops "
    "printing.",
)
MISSING_ENTRIES = Kind(
    "missing-entries",
    HTTPStatus.CONFLICT,
    "Entries before these are missing",
    "Nothing was written. Send the journal again from the entry whose number is `expected`.",
)
JOURNAL_DIFFERS = Kind(
    "journal-differs",
    HTTPStatus.CONFLICT,
    "Another entry was told under this number",
    "Two boards write as one, or a journal was put back from an older copy: entry `seq` was taken before, and it was "
    "another one. Nothing was written. A node that gets this stops printing; if it is the one beside the machine, "
    "enrol it again with a new code.",
)
TOO_MANY_TRIES = Kind(
    "too-many-tries",
    HTTPStatus.TOO_MANY_REQUESTS,
    "Too many wrong tries",
    "From where this came, too many keys, tokens or codes were wrong. Nothing was written, and a code was not looked "
    "at. Try again after the time in `Retry-After`, with one that is good.",
)
NOTHING_OPEN = Kind(
    "nothing-open",
    HTTPStatus.CONFLICT,
    "There is nothing to decide",
    "How an outage is settled can be decided only while it is open: while the node is silent, the machine is held "
    "or columns are printed late. Nothing was written. `detail` says how it stands.",
)
LOST_RACE = Kind(
    "lost-race",
    HTTPStatus.CONFLICT,
    "Somebody else was first",
    "What was decided on has changed meanwhile: `stream` is at version `actual` and not at `expected`, and `changes` "
    "says what was written in between, by whom and when. Nothing was written. Read again, decide again, and send what "
    "is still wanted.",
)
UNAVAILABLE = Kind(
    "unavailable",
    HTTPStatus.SERVICE_UNAVAILABLE,
    "The server cannot write at the moment",
    "Nothing was written. Send the same request again after the time in `Retry-After`.",
)
DISK_FULL = Kind(
    "disk-full",
    HTTPStatus.INSUFFICIENT_STORAGE,
    "The server's disk is full",
    "Nothing was written. Whoever keeps the server has to make room; then the same request may be sent again.",
)
OUR_MISTAKE = Kind(
    "server-error",
    HTTPStatus.INTERNAL_SERVER_ERROR,
    "The server made a mistake",
    "Nothing was written. The server's log holds the reason under the number in `instance`.",
)
KINDS = {
    kind.slug: kind
    for kind in (
        BAD_INPUT,
        UNREADABLE,
        TOO_LARGE,
        TAKEN,
        STALE_EPOCH,
        MISSING_ENTRIES,
        TOO_MANY_TRIES,
        JOURNAL_DIFFERS,
        NOTHING_OPEN,
        LOST_RACE,
        UNAVAILABLE,
        DISK_FULL,
        OUR_MISTAKE,
    )
}


# No space left, the user's share of it used up, a file larger than the system allows.
FULL = (errno.ENOSPC, errno.EDQUOT, errno.EFBIG)
# The same as databases call it; and what PostgreSQL says after a switch to a standby.
FULL_STATES = ("53100", "SQLITE_FULL")
READ_ONLY = "25006"


@dataclass(frozen=True)
class Problem:
    """One error as a client sees it; ``members`` go beside the five that the standard names."""

    type: str
    title: str
    status: int
    detail: str
    members: dict[str, Any] = field(default_factory=dict)
    headers: dict[str, str] = field(default_factory=dict)


def of_kind(kind: Kind, detail: str, /, **members: Any) -> Problem:
    """A problem of one of our own types."""
    return Problem(kind.type, kind.title, kind.status, detail, members)


def plain(status: int, detail: str) -> Problem:
    """A problem that the HTTP status says all about."""
    return Problem("about:blank", HTTPStatus(status).phrase, status, detail)


class Unreadable(APIException):
    """The body is not JSON."""


class TooLarge(APIException):
    """The body is longer than the server takes."""


@singledispatch
def describe(error: Exception) -> Problem:
    """What an exception means to a client."""
    return _our_mistake()


def _our_mistake() -> Problem:
    return of_kind(OUR_MISTAKE, "It is logged under this request's number; please pass the number on.")


@describe.register
def _(error: OSError) -> Problem:
    return _disk_full() if error.errno in FULL else _our_mistake()


def _disk_full() -> Problem:
    return of_kind(DISK_FULL, "Nothing was written; whoever keeps the server has to make room.")


@describe.register
def _(error: InputError) -> Problem:
    field, problem = _short(error.field), _short(error.problem)
    return of_kind(
        BAD_INPUT,
        f"{field or 'the body'}: {problem}; {error.remedy}",
        field=field,
        problem=problem,
        remedy=error.remedy,
        **_readings(error),
    )


def _short(text: str) -> str:
    """A text that may repeat what the client sent, which may be megabytes."""
    return text if len(text) <= LONGEST_SAID else f"{text[: LONGEST_SAID // 2]}…{text[-LONGEST_SAID // 2 :]}"


def _readings(error: InputError) -> dict[str, Any]:
    """Each reading as the local time there."""
    found = [{"which": one.which, "at": one.at.isoformat()} for one in readings_of(error)]
    return {"readings": found} if found else {}


@describe.register
def _(error: Unreadable) -> Problem:
    return of_kind(UNREADABLE, str(error.detail))


@describe.register
def _(error: TooLarge) -> Problem:
    return of_kind(TOO_LARGE, str(error.detail))


@describe.register
def _(error: APIException) -> Problem:
    return plain(error.status_code, str(error.detail))


@describe.register
def _(error: Http404) -> Problem:
    return plain(NotFound.status_code, str(error) or "Nothing is there.")


@describe.register
def _(error: Taken) -> Problem:
    return of_kind(TAKEN, str(error), field="id")


@describe.register
def _(error: StaleEpoch) -> Problem:
    return of_kind(STALE_EPOCH, str(error), epoch=error.epoch, current=error.current)


@describe.register
def _(error: MissingEntries) -> Problem:
    return of_kind(MISSING_ENTRIES, str(error), expected=error.expected)


@describe.register
def _(error: JournalDiffers) -> Problem:
    return of_kind(JOURNAL_DIFFERS, str(error), seq=error.seq)


@describe.register
def _(error: TooManyTries) -> Problem:
    return replace(of_kind(TOO_MANY_TRIES, f"{error}."), headers={"Retry-After": str(error.wait_s)})


@describe.register
def _(error: NothingOpen) -> Problem:
    return of_kind(NOTHING_OPEN, str(error))


@describe.register
def _(error: LostRace) -> Problem:
    changes = [
        {"version": one.version, "kind": one.kind, "actor": one.actor, "said_at": format_instant(one.said_at)}
        for one in error.changes
    ]
    members = {"stream": error.stream, "expected": error.expected, "actual": error.actual, "changes": changes}
    problem = of_kind(LOST_RACE, str(error), **members)
    return replace(problem, headers={"Retry-After": str(TRY_AGAIN_AFTER_S)})  # a node sends its report once more


@describe.register
def _(error: InternalError) -> Problem:
    return _unavailable() if _state(error) == READ_ONLY else _our_mistake()


@describe.register
def _(error: OperationalError) -> Problem:
    return _disk_full() if _state(error) in FULL_STATES else _unavailable()


def _state(error: Exception) -> str | None:
    """What the database calls it: SQLSTATE on PostgreSQL, the name of the result code on SQLite."""
    cause = error.__cause__
    return getattr(cause, "sqlstate", None) or getattr(cause, "sqlite_errorname", None)


def _unavailable() -> Problem:
    problem = of_kind(UNAVAILABLE, "Nothing was written; the same request may be sent again.")
    return replace(problem, headers={"Retry-After": str(TRY_AGAIN_AFTER_S)})


def body_of(problem: Problem, number: str) -> dict[str, Any]:
    """A problem as JSON, with the number of the request that it happened in."""
    return {
        "type": problem.type,
        "title": problem.title,
        "status": int(problem.status),
        "detail": problem.detail,
        "instance": f"urn:uuid:{number}",
        **problem.members,
    }


def _headers(error: Exception) -> dict[str, str]:
    challenge = getattr(error, "auth_header", None)
    return {"WWW-Authenticate": challenge} if challenge else {}


def problem_response(error: Exception, context: dict[str, Any]) -> Response:
    """The answer to an exception in an API view; what we did not expect is logged."""
    problem = describe(error)
    number = request_id(context["request"]._request)
    if problem.status >= HTTPStatus.INTERNAL_SERVER_ERROR:
        logger.error("request %s: %s", number, problem.title, exc_info=error)
    headers = problem.headers | _headers(error)
    context["request"].accepted_renderer = JSONRenderer()  # on an address that answers with a page or a picture too
    context["request"].accepted_media_type = JSONRenderer.media_type
    return Response(body_of(problem, number), status=problem.status, headers=headers, content_type=MEDIA_TYPE)
