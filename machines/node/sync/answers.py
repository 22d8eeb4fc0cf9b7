"""Answers as they come over the network: read with limits, and told apart into the server's and others'.

Between node and server may stand whatever a venue's network holds. So an answer counts for what it is only where it has
the form of ours to the letter; and one that is none is never more than a trouble that passes.
"""

from __future__ import annotations

import json
from collections.abc import Iterator
from datetime import UTC
from email.utils import parsedate_to_datetime
from typing import Any
from urllib.parse import urljoin

import urllib3

from machines.node.sync.connection import why
from machines.node.sync.failures import (
    CallFailed,
    EntriesMissing,
    FencedOff,
    JournalDiffers,
    NotKnown,
    Refused,
    TooLarge,
    Unreachable,
)

PIECE = 65_536
PROBLEM = "application/problem+json"
PROBLEMS = "/api/v1/problems/"
# What people are told may be as long as this.
LONGEST_DETAIL = 500
# One a second for thirty years; a journal never comes near.
MOST_ENTRIES = 1_000_000_000
# No wait is longer than a person's patience with a machine that was mended.
LONGEST_WAIT_S = 3600.0


def pieces(answer: urllib3.BaseHTTPResponse, most: int) -> Iterator[bytes]:
    """The body as it comes; the connection is closed where it did not come to its end.

    Args:
        answer: whose body was not read yet.
        most: octets that an answer of the server has.

    Raises:
        Unreachable: it broke off, is encoded though nobody asked for it, or goes on beyond that.
    """
    if answer.headers.get("Content-Encoding", "identity").strip().lower() != "identity":
        answer.close()
        raise Unreachable("the answer is encoded, though that was not asked for", "between")
    came = 0
    try:
        while piece := answer.read1(PIECE, decode_content=False):
            came += len(piece)
            if came > most:
                raise Unreachable(f"the answer is longer than {most} octets, as none of the server's is", "endless")
            yield piece
        answer.release_conn()
    except (urllib3.exceptions.HTTPError, OSError) as error:
        raise Unreachable(f"the answer broke off: {error}", why(error)) from error
    finally:
        answer.close()


def read_json(answer: urllib3.BaseHTTPResponse, most: int) -> Any:
    """The body as JSON.

    Raises:
        Unreachable: it is none, or not to be had; see `pieces`.
    """
    body = b"".join(pieces(answer, most))
    try:
        return json.loads(body, parse_constant=_no_number)
    except (ValueError, RecursionError) as error:
        is_json = media_type(answer) in ("application/json", PROBLEM)
        raise Unreachable(f"the answer is not JSON: {error}", "unreadable" if is_json else "between") from error


def _no_number(name: str) -> float:
    raise ValueError(f"{name} is no number in JSON")


def media_type(answer: urllib3.BaseHTTPResponse) -> str:
    """What the answer says that it is; empty if it does not."""
    return str(answer.headers.get("Content-Type", "")).partition(";")[0].strip().lower()


def refusal(answer: urllib3.BaseHTTPResponse, base: str, most: int) -> CallFailed:
    """What an answer of status 400 or more means.

    Args:
        answer: whose body was not read yet.
        base: address that was called, against which the types of problems are read.
        most: octets that a problem of the server has.
    """
    retry_after_s = read_retry_after(answer.headers.get("Retry-After"), answer.headers.get("Date"))
    said = f"{answer.status} {_short(str(answer.reason or ''))}".strip()
    if media_type(answer) != PROBLEM:
        answer.close()
        if answer.status == 413:  # a proxy may take less than the server does
            return TooLarge(413, "about:blank", "the batch is too large", retry_after_s)
        return Unreachable(f"not the server's answer: {said}", "between", retry_after_s)
    problem = read_json(answer, most)
    if not isinstance(problem, dict):
        return Unreachable(f"not the server's answer: {said}", "between", retry_after_s)
    return of_server(answer.status, problem, base, retry_after_s)


def of_server(status: int, problem: dict[str, Any], base: str, retry_after_s: float | None) -> CallFailed:
    """Why a call failed, by the problem details of whoever answered it."""
    type = _resolved(base, _short(str(problem.get("type", "about:blank"))))
    detail = _short(str(problem.get("detail") or problem.get("title") or "no reason given"))
    given = (status, type, detail, retry_after_s)
    slug = type.rpartition("/")[2]
    if slug not in ("stale-epoch", "journal-differs", "missing-entries"):
        return {401: NotKnown, 413: TooLarge}.get(status, Refused)(*given)
    # What follows from these is final, or moves the journal; so nothing that only looks like them counts.
    known = status == 409 and type == urljoin(base, PROBLEMS + slug)
    if known and slug == "stale-epoch" and 0 < _count(problem, "epoch") < _count(problem, "current"):
        return FencedOff(*given)
    if known and slug == "journal-differs" and _count(problem, "seq") > 0:
        return JournalDiffers(*given)
    if known and slug == "missing-entries" and _count(problem, "expected") > 0:
        missing = EntriesMissing(*given)
        missing.expected = _count(problem, "expected")
        return missing
    return Unreachable(f"an answer that looks like the server's {slug}, but is not: {status}", "between", retry_after_s)


def _resolved(base: str, reference: str) -> str:
    try:
        return urljoin(base, reference)
    except ValueError:  # such as a host in brackets that is no address
        return "about:blank"


def _count(problem: dict[str, Any], member: str) -> int:
    """A member that is a number from 1; 0 if it is not."""
    value = problem.get(member)
    plausible = isinstance(value, int) and not isinstance(value, bool) and 0 < value <= MOST_ENTRIES
    return int(value) if plausible and value is not None else 0


def _short(text: str) -> str:
    return text if len(text) <= LONGEST_DETAIL else text[:LONGEST_DETAIL] + "..."


def read_retry_after(value: str | None, date: str | None) -> float | None:
    """Seconds from a ``Retry-After`` (RFC 9110 section 10.2.3), at most an hour; a date counts from the answer's own
    ``Date``, because the board's clock may be anywhere. None if it cannot be read."""
    if value is None:
        return None
    text = value.strip()
    if text.isascii() and text.isdigit():
        return LONGEST_WAIT_S if len(text) > 9 else min(float(text), LONGEST_WAIT_S)
    try:
        until, now = (parsedate_to_datetime(one or "").astimezone(UTC) for one in (text, date))
    except (ValueError, TypeError, IndexError, OverflowError):  # the library's reader of dates fails in its own ways
        return None
    return min(max(0.0, (until - now).total_seconds()), LONGEST_WAIT_S)
