"""The node's side of ``/api/v1/``. Every failure is one of `machines.node.sync.failures`, which say what can help."""

from __future__ import annotations

from collections.abc import Callable, Generator, Iterator, Mapping
from contextlib import contextmanager
from dataclasses import dataclass
from typing import Any, TypeVar

import urllib3

from machines.errors import InputError, UnknownChoice
from machines.node.store.identity import Credentials
from machines.node.sync.answers import LONGEST_WAIT_S, MOST_ENTRIES, media_type, pieces, read_json, refusal
from machines.node.sync.connection import READ_LIMIT_S, Deadline, connections, why
from machines.node.sync.failures import Unreachable
from machines.node.sync.server_address import read_server
from machines.node.work.not_understood import Unread
from machines.node.work.offers import Fetched
from machines.node.work.plausibility import has_plausible_year, require_a_servers, require_plausible
from machines.protocol.messages import JournalPosition, Work
from machines.serialization import parse_instant, structure, structure_lenient

T = TypeVar("T")

BACKOFF_FIRST_S = 1.0
BACKOFF_LONGEST_S = 300.0
# So much later than they were asked to boards come again at most, each by a share of its own.
AGAIN_WITHIN_S = 60.0
# Octets. Work for a month in segments of half an hour has some two million; all else is a few lines.
LONGEST_ANSWER = 262_144
LONGEST_WORK = 16_777_216


@dataclass(frozen=True, kw_only=True)
class Limits:
    """How long an answer may take. Real seconds.

    Attributes:
        read_s: until something of it comes, and then something more.
        answer_s: head and body in all, however steadily it drips.
        least_octets_per_s: a plate may take so much longer as it is large.
    """

    read_s: float = READ_LIMIT_S
    answer_s: float = 60.0
    least_octets_per_s: float = 16_384.0


LIMITS = Limits()


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
    earlier: tuple[JournalPosition, ...] = ()
    paper_position: int = 0

    def __post_init__(self) -> None:
        require_a_servers(self.token, self.machine, (self.epoch, self.paper_position), self.earlier)

    def at(self, server: str) -> Credentials:
        """What is kept of it, with the address of the server that gave it."""
        return Credentials(
            server=server.rstrip("/"),
            token=self.token,
            machine=self.machine,
            epoch=self.epoch,
            paper_position=self.paper_position,
        )


def backoff_s(
    failures: int, retry_after_s: float | None, share: Callable[[], float], usual_s: float = BACKOFF_FIRST_S
) -> float:
    """How long to wait after so many failures in a row, seconds: a moment after the first, and after the second between
    once and twice as long as where all is well; then doubling, up to five minutes where that is longer.

    So boards whose server was away come back about as evenly as they ask on any other day: in one pace each tries but
    once more than it would have, a second after its first failure. ``tests/machines/node/sync/test_pace.py`` shows it.

    Args:
        failures: from 1.
        retry_after_s: what was asked for, seconds: never sooner, and for the same reason up to as long again later,
            but a minute later at most; an hour in all.
        share: of chance, from 0 to 1.
        usual_s: the board's pace where all is well, seconds; the least for one that needs the server to print.
    """
    longest_s = max(BACKOFF_LONGEST_S, 2.0 * usual_s)
    whole_s = BACKOFF_FIRST_S if failures == 1 else min(longest_s, usual_s * 2.0 ** min(failures - 1, 30))
    drawn, asked_s = share(), retry_after_s or 0.0
    return min(max(whole_s * (0.5 + 0.5 * drawn), asked_s + min(asked_s, AGAIN_WITHIN_S) * drawn), LONGEST_WAIT_S)


class Client:
    """Calls of one node to its server."""

    def __init__(
        self,
        server: str,
        token: str | None = None,
        limits: Limits = LIMITS,
        connect: Callable[[Deadline, float], urllib3.PoolManager] = connections,
    ) -> None:
        """Nothing is called yet.

        Args:
            server: its address.
            token: of the board; None for one that is not enrolled.
            limits: on the time that answers take.
            connect: makes the connections, whose reads heed a deadline, and each a limit, seconds.

        Raises:
            InputError: that is no address.
        """
        self._base = read_server(server).geturl().rstrip("/") + "/api/v1/"
        self.authorization = {} if token is None else {"Authorization": f"Bearer {token}"}
        self._limits = limits
        self._deadline = Deadline(limits.read_s)
        self._connections = connect(self._deadline, limits.read_s)

    def enrol(self, code: str) -> Enrolled:
        """Turn a one-time code into a token.

        Raises:
            Unreachable, Refused: as all calls here.
        """
        return _read(self._json(self._call("POST", "node/enrol", {"code": code})), Enrolled)

    def clock(self) -> tuple[float, float]:
        """When the server received the question and when it sent the answer, POSIX seconds."""
        answer = self._json(self._call("GET", "node/clock"))
        try:
            received, sent = (parse_instant(answer[name], name) for name in ("received_at", "sent_at"))
        except (KeyError, TypeError, InputError) as error:
            raise Unreachable(f"the server's clock cannot be read: {error}") from error
        if not (has_plausible_year(received) and has_plausible_year(sent)):
            raise Unreachable(f"the server's clock cannot be right: {answer['received_at']}")
        return received.timestamp(), sent.timestamp()

    def work(self, horizon: str, etag: str | None) -> Fetched | None:
        """What to hold for a horizon (ISO 8601); None if it is what the tag names. See `read_work`."""
        headers = {} if etag is None else {"If-None-Match": etag}
        answer = self._call("GET", f"node/work?horizon={horizon}", headers=headers)
        if answer.status == 304:
            answer.close()
            if etag is None:
                raise Unreachable("an answer that nothing changed, to a question without a tag", "between")
            return None
        return read_work(self._json(answer, LONGEST_WORK), answer.headers.get("ETag", ""))

    def plate(self, digest: str, longest: int) -> Generator[bytes, None, None]:
        """The PNG of a plate in pieces, as they come; not proved yet to be whole, nor to be the one asked for.

        Args:
            digest: of the plate.
            longest: octets that it can have.
        """
        limit_s = self._limits.answer_s + longest / self._limits.least_octets_per_s
        answer = self._call("GET", f"plates/{digest}.png", limit_s=limit_s)
        if media_type(answer) not in ("image/png", ""):
            answer.close()
            raise Unreachable(f"plate {digest[:12]} came as {media_type(answer)}", "between")
        with self._in_time(f"plate {digest[:12]}"):
            yield from pieces(answer, longest)

    def report(self, reports: Mapping[str, Any]) -> int:
        """Send a batch, as the JSON values of `machines.protocol.messages.Reports`; the sequence number up to which the
        server now has everything."""
        answer = self._json(self._call("POST", "node/reports", reports))
        accepted = answer.get("accepted_through") if isinstance(answer, dict) else None
        # What follows from this number may be final; so one that no journal can have comes from something in between.
        if not isinstance(accepted, int) or isinstance(accepted, bool) or not 0 <= accepted <= MOST_ENTRIES:
            raise Unreachable("the server did not say what it accepted")
        return accepted

    def close(self) -> None:
        """Close the connections; the next call makes new ones."""
        self._connections.clear()

    def _call(
        self,
        method: str,
        path: str,
        body: Any = None,
        headers: dict[str, str] | None = None,
        *,
        limit_s: float | None = None,
    ) -> urllib3.BaseHTTPResponse:
        """The head of an answer that is none of an error. Its body is to be read within the limit, too."""
        sent = {"Accept": "application/json", **self.authorization, **(headers or {})}
        self._deadline.begin(self._limits.answer_s if limit_s is None else limit_s)
        with self._in_time("no answer"):
            answer = self._connections.request(
                method, self._base + path, json=body, headers=sent, preload_content=False, redirect=False
            )
        if answer.status >= 400:
            raise self._refusal(answer)
        if answer.status not in (200, 201, 304):  # a captive portal's redirect, for one; it is not followed
            answer.close()
            raise Unreachable(f"unexpected answer {answer.status} from {self._base}", "between")
        return answer

    def _refusal(self, answer: urllib3.BaseHTTPResponse) -> Exception:
        with self._in_time("an error"):
            return refusal(answer, self._base, LONGEST_ANSWER)

    def _json(self, answer: urllib3.BaseHTTPResponse, longest: int = LONGEST_ANSWER) -> Any:
        with self._in_time("an answer"):
            return read_json(answer, longest)

    @contextmanager
    def _in_time(self, what: str) -> Iterator[None]:
        """Every way in which the network can fail becomes one exception with a name."""
        try:
            yield
        except Unreachable as error:
            if self._deadline.is_over:
                error.kind = "slow"
            raise
        except (urllib3.exceptions.HTTPError, OSError) as error:
            kind = "slow" if self._deadline.is_over else why(error)
            raise Unreachable(f"{what} from {self._base}: {error}", kind) from error


def read_work(said: Any, etag: str) -> Fetched:
    """Work from JSON values, of a newer server for one: what is not understood of it does not hold back the rest.

    Raises:
        NotUnderstood: none of it can be held without that.
        Unreachable: it is no server's work.
    """
    problem = ""
    try:
        work = structure(said, Work)
    except InputError as error:
        problem = str(error)
    try:
        if problem:
            work = _as_understood(said)
        require_plausible(work)
    except UnknownChoice as error:
        raise NotUnderstood(Unread(etag=etag, said=said, problem=str(error))) from error
    except InputError as error:
        raise Unreachable(f"the answer cannot be read: {error}") from error
    return Fetched(work, etag, Unread(etag=etag, said=said, problem=problem) if problem else None)


def _as_understood(said: Any) -> Work:
    try:
        return structure_lenient(said, Work)
    except UnknownChoice as error:
        if not error.field.startswith("override."):
            raise
        # A person's word by a rule that is not known: what is to be printed does not wait for it.
        return structure_lenient(said | {"override": None}, Work)


def _read(data: Any, cls: type[T]) -> T:
    try:
        return structure_lenient(data, cls)
    except InputError as error:
        raise Unreachable(f"the answer cannot be read: {error}") from error


class NotUnderstood(Unreachable):
    """Work in which so much is not understood that none of it can be held.

    Attributes:
        unread: the answer.
    """

    def __init__(self, unread: Unread) -> None:
        super().__init__(f"the server is newer than this program, which needs to be brought up to it: {unread.problem}")
        self.unread = unread
