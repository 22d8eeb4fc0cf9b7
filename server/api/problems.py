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

from django.db import InternalError, OperationalError, ProgrammingError
from django.http import Http404
from rest_framework.exceptions import APIException, NotFound
from rest_framework.renderers import JSONRenderer
from rest_framework.response import Response

from machines.errors import InputError
from machines.serialization import format_instant, unstructure
from scheduling.commands.changes import KeyUsed, NotAccepted
from scheduling.commands.handlers import IdInUse
from scheduling.commands.override import NothingOpen
from scheduling.log.projecting.projector import ViewsSetAside
from scheduling.log.store import VersionConflict
from scheduling.nodes.received_entries import TooManyEntries
from scheduling.nodes.reports import EntryDiffers, MissingEntries, StaleEpoch
from scheduling.rendering.kept_files import StoreAway
from scheduling.rendering.plate_store import PlateGone, PlateOutOfReach
from scheduling.rendering.upload_store import UploadTooLarge
from server.accounts.attempt_limit import TooManyTries
from server.accounts.roles import NotOfTheirRole
from server.api import problem_kinds as kinds
from server.api.problem_kinds import ProblemKind
from server.heavy import Busy
from server.readings import readings_of
from server.request_id import request_id

logger = logging.getLogger(__name__)

MEDIA_TYPE = "application/problem+json"
TRY_AGAIN_AFTER_S = 5
DRAWN_AGAIN_AFTER_S = 60
STORE_BACK_AFTER_S = 30
MENDED_AFTER_S = 300
LONGEST_SAID = 300
# No space left, the user's share of it used up, a file larger than the system allows.
FULL = (errno.ENOSPC, errno.EDQUOT, errno.EFBIG)
# The same as databases call it; and what PostgreSQL says after a switch to a standby.
FULL_STATES = ("53100", "SQLITE_FULL")
READ_ONLY = "25006"
# No such table, no such column: this program was started before its migrations were run, as in an update.
NOT_MIGRATED = ("42P01", "42703")


@dataclass(frozen=True)
class Problem:
    """One error as a client sees it; ``members`` go beside the five that the standard names."""

    type: str
    title: str
    status: int
    detail: str
    members: dict[str, Any] = field(default_factory=dict)
    headers: dict[str, str] = field(default_factory=dict)


def of_kind(kind: ProblemKind, detail: str, /, **members: Any) -> Problem:
    """A problem of one of our own types."""
    return Problem(kind.type, kind.title, kind.status, detail, members)


def plain(status: int, detail: str) -> Problem:
    """A problem that the HTTP status says all about."""
    return Problem("about:blank", HTTPStatus(status).phrase, status, detail)


class Unreadable(APIException):
    """The body is not JSON."""


class TooLarge(APIException):
    """The body is longer than the server takes."""


class MovedOn(APIException):
    """What the request names is not as it was when it was fetched.

    Attributes:
        tag: that it has now.
        changes: what was changed since, as its history tells it; None where that is not known.
    """

    def __init__(self, tag: str, changes: list[dict[str, Any]] | None = None) -> None:
        super().__init__(f"It is not as it was any more: its tag is now {tag}.")
        self.tag = tag
        self.changes = changes


class ConditionNeeded(APIException):
    """The request would replace something, and does not say what."""


@singledispatch
def describe(error: Exception) -> Problem:
    """What an exception means to a client."""
    return _our_mistake()


def _our_mistake() -> Problem:
    return of_kind(kinds.OUR_MISTAKE, "It is logged under this request's number; please pass the number on.")


@describe.register
def _(error: OSError) -> Problem:
    return _disk_full() if error.errno in FULL else _our_mistake()


def _disk_full() -> Problem:
    return of_kind(kinds.DISK_FULL, "Nothing was written; whoever keeps the server has to make room.")


@describe.register
def _(error: InputError) -> Problem:
    field, problem = _short(error.field), _short(error.problem)
    return of_kind(
        kinds.BAD_INPUT,
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
    return of_kind(kinds.UNREADABLE, str(error.detail))


@describe.register
def _(error: TooLarge) -> Problem:
    return of_kind(kinds.TOO_LARGE, str(error.detail))


@describe.register
def _(error: MovedOn) -> Problem:
    changes = {} if error.changes is None else {"changes": error.changes}
    return replace(of_kind(kinds.MOVED_ON, str(error.detail), tag=error.tag, **changes), headers={"ETag": error.tag})


@describe.register
def _(error: NotAccepted) -> Problem:
    return of_kind(kinds.NEEDS_A_YES, str(error), warnings=[unstructure(one) for one in error.warnings])


@describe.register
def _(error: KeyUsed) -> Problem:
    return of_kind(kinds.KEY_USED, f"{error}.")


@describe.register
def _(error: ConditionNeeded) -> Problem:
    return of_kind(kinds.CONDITION_NEEDED, str(error.detail))


@describe.register
def _(error: UploadTooLarge | TooManyEntries) -> Problem:
    return of_kind(kinds.TOO_LARGE, f"{error}.")


@describe.register
def _(error: ViewsSetAside) -> Problem:
    problem = of_kind(kinds.VIEW_SET_ASIDE, f"{error}.", views=list(error.views))
    return replace(problem, headers={"Retry-After": str(MENDED_AFTER_S)})


@describe.register
def _(error: APIException) -> Problem:
    return plain(error.status_code, str(error.detail))


@describe.register
def _(error: Http404) -> Problem:
    return plain(NotFound.status_code, str(error) or "Nothing is there.")


@describe.register
def _(error: IdInUse) -> Problem:
    return of_kind(kinds.NAME_TAKEN, str(error), field="id")


@describe.register
def _(error: StaleEpoch) -> Problem:
    return of_kind(kinds.STALE_EPOCH, str(error), epoch=error.epoch, current=error.current)


@describe.register
def _(error: MissingEntries) -> Problem:
    return of_kind(kinds.MISSING_ENTRIES, str(error), expected=error.expected)


@describe.register
def _(error: EntryDiffers) -> Problem:
    return of_kind(kinds.JOURNAL_DIFFERS, str(error), seq=error.seq)


@describe.register
def _(error: NotOfTheirRole) -> Problem:
    theirs = error.standing
    return of_kind(kinds.ROLE_NEEDED, str(error), needed=error.needed, role=theirs.role, venues=theirs.venues)


@describe.register
def _(error: Busy | TooManyTries) -> Problem:
    problem = of_kind(kinds.BUSY if isinstance(error, Busy) else kinds.TOO_MANY_TRIES, f"{error}.")
    return replace(problem, headers={"Retry-After": str(error.wait_s)})


@describe.register
def _(error: NothingOpen) -> Problem:
    return of_kind(kinds.NOTHING_OPEN, str(error))


@describe.register
def _(error: VersionConflict) -> Problem:
    changes = [
        {"version": one.version, "kind": one.kind, "actor": one.actor, "said_at": format_instant(one.said_at)}
        for one in error.changes
    ]
    members = {"stream": error.stream, "expected": error.expected, "actual": error.actual, "changes": changes}
    problem = of_kind(kinds.LOST_RACE, str(error), **members)
    return replace(problem, headers={"Retry-After": str(TRY_AGAIN_AFTER_S)})  # a node sends its report once more


@describe.register
def _(error: PlateGone) -> Problem:
    problem = of_kind(kinds.PLATE_GONE, f"{error}.", plate=error.digest)
    return replace(problem, headers={"Retry-After": str(DRAWN_AGAIN_AFTER_S)})


@describe.register
def _(error: PlateOutOfReach) -> Problem:
    return _store_away(error.problem, plate=error.digest)


@describe.register
def _(error: StoreAway) -> Problem:
    return _store_away(error.problem)


def _store_away(said: str, **members: str) -> Problem:
    """What to look at is for whoever keeps the server, and stands in its log."""
    problem = of_kind(kinds.STORE_AWAY, f"{said[0].upper()}{said[1:]}.", **members)
    return replace(problem, headers={"Retry-After": str(STORE_BACK_AFTER_S)})


@describe.register
def _(error: InternalError) -> Problem:
    return _unavailable() if _state(error) == READ_ONLY else _our_mistake()


@describe.register
def _(error: ProgrammingError) -> Problem:
    return _unavailable() if _state(error) in NOT_MIGRATED else _our_mistake()


@describe.register
def _(error: OperationalError) -> Problem:
    return _disk_full() if _state(error) in FULL_STATES else _unavailable()


def _state(error: Exception) -> str | None:
    """What the database calls it: SQLSTATE on PostgreSQL, the name of the result code on SQLite."""
    cause = error.__cause__
    return getattr(cause, "sqlstate", None) or getattr(cause, "sqlite_errorname", None)


def _unavailable() -> Problem:
    problem = of_kind(kinds.UNAVAILABLE, "Nothing was written; the same request may be sent again.")
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
    if isinstance(error, NotOfTheirRole):
        logger.warning("request %s: %s is refused: %s", number, context["request"].user.actor, error)
    if problem.status >= HTTPStatus.INTERNAL_SERVER_ERROR:
        logger.error("request %s: %s", number, problem.title, exc_info=error)
    headers = problem.headers | _headers(error)
    context["request"].accepted_renderer = JSONRenderer()  # on an address that answers with a page or a picture too
    context["request"].accepted_media_type = JSONRenderer.media_type
    return Response(body_of(problem, number), status=problem.status, headers=headers, content_type=MEDIA_TYPE)
