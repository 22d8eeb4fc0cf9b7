"""The node's side of ``/api/v1/``. Every failure is one of the exceptions here, which say what can help."""

from __future__ import annotations

import json
import random
from collections.abc import Callable, Iterator
from dataclasses import dataclass
from datetime import UTC
from email.utils import parsedate_to_datetime
from typing import Any, TypeVar

import urllib3

from machines.errors import InputError
from machines.structure import parse_instant, structure_from_newer
from machines.wire import Reports, Taken, Work

T = TypeVar("T")

CONNECT_LIMIT_S = 5.0
READ_LIMIT_S = 20.0
BACKOFF_FIRST_S = 1.0
BACKOFF_LONGEST_S = 300.0
PIECE = 65_536
# One a second for thirty years; a journal never comes near.
MOST_ENTRIES = 1_000_000_000


class Unreachable(Exception):
    """No answer that can be read; trying again later helps."""


class Refused(Exception):
    """The server answered with an error (problem details of RFC 9457).

    Attributes:
        status: of HTTP.
        type: the problem's own, ``about:blank`` if it has none.
        detail: what is wrong, for people.
        retry_after_s: when the server wants to be asked again, seconds; None if it did not say.
    """

    def __init__(self, status: int, type: str, detail: str, retry_after_s: float | None) -> None:
        super().__init__(f"the server refused ({status}): {detail}")
        self.status = status
        self.type = type
        self.detail = detail
        self.retry_after_s = retry_after_s


class NotKnown(Refused):
    """The token is not good. A person must enrol the board again."""


class FencedOff(Refused):
    """Another board has taken over the machine, or writes under the same name. This one must never print again unless
    it is enrolled anew."""


class JournalDiffers(FencedOff):
    """The server has other entries under this journal's numbers: it is a copy, or was put back from an older one."""

    @classmethod
    def beyond(cls, through: int, last: int) -> JournalDiffers:
        """As the board sees by itself: the server has entries up to one number, and the journal to a lower one."""
        detail = (
            f"the server has {through} entries of this board, and its journal only {last}: another board is a copy of"
            " it, or the journal was put back from an older copy. If this is the board beside the machine, enrol it"
            " again with a new code"
        )
        return cls(200, "about:blank", detail, None)


class TooLarge(Refused):
    """The batch is larger than the server takes."""


class EntriesMissing(Refused):
    """The server lacks entries before these, after a restore for one.

    Attributes:
        expected: the sequence number to send from.
    """

    expected: int


@dataclass(frozen=True, kw_only=True)
class Credentials:
    """What enrolment gave.

    Attributes:
        server: its address, without a path.
        token: secret, goes with each call.
        machine: which one this node prints on.
        epoch: of the credentials; the server refuses reports with an older one.
        paper_position: columns of paper that the server then knew to be fed, for a machine that does not remember.
    """

    server: str
    token: str
    machine: str
    epoch: int
    paper_position: int = 0


@dataclass(frozen=True, kw_only=True)
class Enrolled:
    """The answer to a one-time code.

    Attributes:
        earlier: how much the server has of the journals of earlier epochs.
        paper_position: columns of paper that the server knows to be fed.
    """

    token: str
    machine: str
    epoch: int
    earlier: tuple[Taken, ...] = ()
    paper_position: int = 0


@dataclass(frozen=True)
class Fetched:
    """Work that differs from what the node has, and its tag."""

    work: Work
    etag: str


def backoff_s(failures: int, retry_after_s: float | None, jitter: Callable[[], float] = random.random) -> float:
    """How long to wait after so many failures in a row, seconds: doubling, at random between half and the whole, so
    that nodes cut off together do not come back together. Never sooner than the server asked for."""
    ceiling = min(BACKOFF_LONGEST_S, BACKOFF_FIRST_S * 2.0 ** min(failures - 1, 30))
    return max(ceiling * (0.5 + 0.5 * jitter()), retry_after_s or 0.0)


class Client:
    """Calls of one node to its server."""

    def __init__(self, server: str, token: str | None = None) -> None:
        if not server.startswith(("http://", "https://")):
            raise InputError("server", f"{server!r} is no address", "give http://host or https://host")
        self._base = server.rstrip("/") + "/api/v1/"
        self._authorization = {} if token is None else {"Authorization": f"Bearer {token}"}
        limits = urllib3.Timeout(connect=CONNECT_LIMIT_S, read=READ_LIMIT_S)
        # Trying again is the exchange loop's business: it knows what is urgent, and it waits in the clock's seconds.
        self._pool = urllib3.PoolManager(timeout=limits, retries=False)

    def enrol(self, code: str) -> Enrolled:
        """Turn a one-time code into a token.

        Raises:
            Unreachable, Refused: as all calls here.
        """
        return _read(self._call("POST", "node/enrol", {"code": code}), Enrolled)

    def clock(self) -> tuple[float, float]:
        """When the server received the question and when it sent the answer, POSIX seconds."""
        answer = _json(self._call("GET", "node/clock"))
        try:
            received, sent = (parse_instant(answer[name], name) for name in ("received_at", "sent_at"))
        except (KeyError, TypeError, InputError) as error:
            raise Unreachable(f"the server's clock cannot be read: {error}") from error
        return received.timestamp(), sent.timestamp()

    def work(self, horizon: str, etag: str | None) -> Fetched | None:
        """What to hold for a horizon (ISO 8601); None if it is what the tag names."""
        headers = {} if etag is None else {"If-None-Match": etag}
        answer = self._call("GET", f"node/work?horizon={horizon}", headers=headers)
        if answer.status == 304:
            return None
        return Fetched(_read(answer, Work), answer.headers.get("ETag", ""))

    def plate(self, digest: str) -> Iterator[bytes]:
        """The PNG of a plate in pieces, as they come; not proved yet to be whole, nor to be the one asked for."""
        answer = self._call("GET", f"plates/{digest}.png", preload_content=False)
        try:
            yield from answer.stream(PIECE)
        except (urllib3.exceptions.HTTPError, OSError) as error:
            raise Unreachable(f"plate {digest[:12]} broke off: {error}") from error
        finally:
            answer.close()

    def report(self, reports: Reports) -> int:
        """Send a batch; the sequence number up to which the server now has everything."""
        answer = _json(self._call("POST", "node/reports", reports.as_json()))
        accepted = answer.get("accepted_through") if isinstance(answer, dict) else None
        # What follows from this number may be final; so one that no journal can have comes from something in between.
        if not isinstance(accepted, int) or isinstance(accepted, bool) or not 0 <= accepted <= MOST_ENTRIES:
            raise Unreachable("the server did not say what it accepted")
        return accepted

    def close(self) -> None:
        """Close the connections."""
        self._pool.clear()

    def _call(
        self,
        method: str,
        path: str,
        body: Any = None,
        headers: dict[str, str] | None = None,
        *,
        preload_content: bool = True,
    ) -> urllib3.BaseHTTPResponse:
        sent = {"Accept": "application/json", **self._authorization, **(headers or {})}
        try:
            answer = self._pool.request(
                method, self._base + path, json=body, headers=sent, preload_content=preload_content
            )
        except (urllib3.exceptions.HTTPError, OSError) as error:
            raise Unreachable(f"no answer from {self._base}: {error}") from error
        if answer.status >= 400:
            raise _refusal(answer)
        if answer.status not in (200, 201, 304):  # a captive portal's redirect, for one
            raise Unreachable(f"unexpected answer {answer.status} from {self._base}")
        return answer


def _json(answer: urllib3.BaseHTTPResponse) -> Any:
    try:
        return json.loads(answer.data)
    except ValueError as error:
        raise Unreachable(f"the answer is not JSON: {error}") from error


def _read(answer: urllib3.BaseHTTPResponse, cls: type[T]) -> T:
    try:
        return structure_from_newer(_json(answer), cls)
    except InputError as error:
        raise Unreachable(f"the answer cannot be read: {error}") from error


def _refusal(answer: urllib3.BaseHTTPResponse) -> Refused:
    problem = _problem(answer)
    type = str(problem.get("type", "about:blank"))
    detail = str(problem.get("detail") or problem.get("title") or answer.reason or "no reason given")
    retry_after_s = read_retry_after(answer.headers.get("Retry-After"), answer.headers.get("Date"))
    refusal = _kind(answer.status, type)(answer.status, type, detail, retry_after_s)
    if isinstance(refusal, EntriesMissing):
        refusal.expected = int(problem.get("expected", 1))
    return refusal


def _problem(answer: urllib3.BaseHTTPResponse) -> dict[str, Any]:
    """The problem details; empty when something between us and the server answered in its own way."""
    try:
        problem = json.loads(answer.data)
    except ValueError:
        return {}
    return problem if isinstance(problem, dict) else {}


def _kind(status: int, type: str) -> type[Refused]:
    by_type = {"stale-epoch": FencedOff, "journal-differs": JournalDiffers, "missing-entries": EntriesMissing}
    by_status = {401: NotKnown, 413: TooLarge}
    return by_type.get(type.rpartition("/")[2]) or by_status.get(status, Refused)


def read_retry_after(value: str | None, date: str | None) -> float | None:
    """Seconds from a ``Retry-After`` (RFC 9110 section 10.2.3); a date counts from the answer's own ``Date``, because
    the board's clock may be anywhere. None if it cannot be read."""
    if value is None:
        return None
    if value.strip().isdigit():
        return float(value)
    try:
        until, now = (parsedate_to_datetime(text or "").astimezone(UTC) for text in (value, date))
    except ValueError:
        return None
    return max(0.0, (until - now).total_seconds())
