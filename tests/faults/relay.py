"""A relay between a node and its server, on the loopback only, that loses, doubles, delays and garbles on demand."""

from __future__ import annotations

import http.client
import random
import threading
import time
from collections import Counter
from collections.abc import Iterator
from concurrent.futures import ThreadPoolExecutor
from contextlib import contextmanager
from dataclasses import dataclass, field, replace
from http.server import BaseHTTPRequestHandler, ThreadingHTTPServer
from typing import Any

from tests.faults import hostile, newer

TROUBLES = (
    "network-gone",
    "portal",
    "redirected",
    "errors-broken",
    "answers-endless",
    "answers-dripping",
    "sent-away",
    "connections-slow",
    "connections-cut",
    "reports-reordered",
    "reports-duplicated",
    "reports-newer",
    "answers-lost",
)
# With these nothing that is asked gets through, or hardly anything.
BARRED = ("network-gone", "portal", "redirected", "answers-endless", "answers-dripping", "sent-away")
SLOW_S = (0.02, 0.4)
UPSTREAM_LIMIT_S = 30.0
PORTAL_PAGE = b"<html><body>Welcome to the network of this house. Please agree to our terms.</body></html>"
HOP_BY_HOP = {"connection", "keep-alive", "transfer-encoding", "content-length", "host"}


@dataclass(frozen=True)
class Call:
    """A request as it came from the node."""

    method: str
    path: str
    headers: dict[str, str]
    body: bytes

    @property
    def is_report(self) -> bool:
        """Whether it carries entries of a journal."""
        return self.method == "POST" and self.path.endswith("/node/reports")


@dataclass(frozen=True)
class Answer:
    """An answer as it came from the server."""

    status: int
    headers: list[tuple[str, str]]
    body: bytes


class Cut(Exception):
    """The connection breaks; the node gets nothing more."""


class Hostile(Exception):
    """The node gets these octets, whatever they are, and then the connection is closed."""

    def __init__(self, octets: hostile.Octets) -> None:
        super().__init__()
        self.octets = octets


@dataclass
class Relay:
    """What it does just now, and what it did.

    Attributes:
        server: port of the server on the loopback.
        dice: decide what is hit.
        troubles: how many faults of each kind are under way.
        hits: how often each kind struck.
    """

    server: int
    dice: random.Random = field(default_factory=lambda: random.Random(0))
    troubles: Counter[str] = field(default_factory=Counter)
    hits: Counter[str] = field(default_factory=Counter)
    _late: list[Call] = field(default_factory=list)
    _lock: threading.Lock = field(default_factory=threading.Lock)

    def begin(self, trouble: str) -> None:
        """A trouble begins."""
        with self._lock:
            self.troubles[trouble] += 1

    def end(self, trouble: str) -> None:
        """A trouble ends; it goes on if it had begun twice."""
        with self._lock:
            self.troubles[trouble] -= 1

    def calm(self, seed: int) -> None:
        """Nothing is wrong, nothing is held back, and the dice begin anew."""
        with self._lock:
            self.troubles.clear()
            self._late.clear()
            self.dice = random.Random(seed)

    def relay(self, call: Call) -> Answer:
        """Take a call to the server, as well as it goes.

        Raises:
            Cut: the node is to get no answer.
            Hostile: it is to get one that is none.
        """
        if self._strikes("network-gone"):
            raise Cut
        self._come_between()
        if self._strikes("portal"):
            return Answer(200, [("Content-Type", "text/html")], PORTAL_PAGE)
        self._dawdle()
        if self._strikes("connections-cut", 0.4):
            raise Cut
        answer = self._report(call) if call.is_report else self._ask(call)
        self._dawdle()
        if self._strikes("answers-lost", 0.7):
            raise Cut
        return answer

    def _come_between(self) -> None:
        if self._strikes("redirected"):
            raise Hostile(hostile.one_of(hostile.REDIRECTS, self.dice))
        if self._strikes("errors-broken", 0.7):
            raise Hostile(hostile.one_of(hostile.BROKEN_ERRORS, self.dice))
        if self._strikes("sent-away"):
            raise Hostile(hostile.one_of(hostile.SENT_AWAY, self.dice))
        if self._strikes("answers-endless"):
            raise Hostile(hostile.endless(lambda: self.troubles["answers-endless"] > 0))
        if self._strikes("answers-dripping"):
            raise Hostile(hostile.dripping(lambda: self.troubles["answers-dripping"] > 0))

    def cuts_short(self) -> bool:
        """Whether the answer breaks off in the middle."""
        return self._strikes("connections-cut", 0.4)

    def _report(self, call: Call) -> Answer:
        """Deliver a report: now, twice, or only after a later one; as it is, or as a newer node would send it."""
        if self._strikes("reports-newer"):
            call = replace(call, body=newer.with_more(call.body))
        if self._strikes("reports-reordered", 0.5):
            with self._lock:
                self._late.append(call)
            raise Cut
        answer = self._doubled(call) if self._strikes("reports-duplicated") else self._ask(call)
        with self._lock:
            late, self._late = self._late, []
        for old in late:
            self._ask(old)
        return answer

    def _doubled(self, call: Call) -> Answer:
        with ThreadPoolExecutor(2) as pool:
            _, second = pool.map(self._ask, (call, call))
        return second

    def _dawdle(self) -> None:
        if self._strikes("connections-slow"):
            time.sleep(self.dice.uniform(*SLOW_S))

    def _strikes(self, trouble: str, probability: float = 1.0) -> bool:
        with self._lock:
            struck = self.troubles.get(trouble, 0) > 0 and self.dice.random() < probability
            self.hits[trouble] += struck
        return struck

    def _ask(self, call: Call) -> Answer:
        connection = http.client.HTTPConnection("127.0.0.1", self.server, timeout=UPSTREAM_LIMIT_S)
        try:
            connection.request(call.method, call.path, call.body or None, call.headers)
            response = connection.getresponse()
            kept = [(name, value) for name, value in response.getheaders() if name.lower() not in HOP_BY_HOP]
            return Answer(response.status, kept, response.read())
        except (OSError, http.client.HTTPException):
            raise Cut from None
        finally:
            connection.close()


class _Handler(BaseHTTPRequestHandler):
    protocol_version = "HTTP/1.1"
    disable_nagle_algorithm = True
    relay: Relay

    def log_message(self, format: str, *arguments: Any) -> None:
        """Not to the terminal."""

    def do_GET(self) -> None:
        headers = {name: value for name, value in self.headers.items() if name.lower() not in HOP_BY_HOP}
        body = self.rfile.read(int(self.headers.get("Content-Length", 0)))
        try:
            answer = self.relay.relay(Call(self.command, self.path, headers, body))
        except Cut:
            self.close_connection = True
            return
        except Hostile as hostility:
            self.close_connection = True
            for octets in hostility.octets:
                self.wfile.write(octets)
            return
        self._send(answer)

    do_POST = do_GET  # noqa: N815 - the name is the library's

    def _send(self, answer: Answer) -> None:
        self.send_response_only(answer.status)
        for name, value in answer.headers:
            self.send_header(name, value)
        if answer.status != 304:
            self.send_header("Content-Length", str(len(answer.body)))
        self.end_headers()
        if answer.body and self.relay.cuts_short():
            self.wfile.write(answer.body[: len(answer.body) // 2])
            self.close_connection = True
            return
        self.wfile.write(answer.body)


class _Server(ThreadingHTTPServer):
    daemon_threads = True
    block_on_close = False

    def handle_error(self, request: Any, client_address: Any) -> None:
        """A node that is killed cuts its connections."""


@contextmanager
def relaying(relay: Relay) -> Iterator[str]:
    """Stand between; gives the address for the node."""
    server = _Server(("127.0.0.1", 0), type("Handler", (_Handler,), {"relay": relay}))
    thread = threading.Thread(target=server.serve_forever, args=(0.05,), daemon=True)
    thread.start()
    try:
        yield f"http://127.0.0.1:{server.server_port}"
    finally:
        server.shutdown()
        server.server_close()
        thread.join()
