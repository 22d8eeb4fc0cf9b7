"""The network between nodes and server: the fault runs' relay, without sockets and in virtual time."""

from __future__ import annotations

import http.client
import io
from collections.abc import Mapping
from dataclasses import dataclass, field
from hashlib import sha256
from typing import Any

import urllib3

from tests.faults.relay import Answer, Call, Cut, Hostile, Relay
from tests.simulated import newer_server
from tests.simulated.falsified import changed_answer, changed_call
from tests.simulated.newer_server import NewerServer
from tests.simulated.served import HOST, Served, answered, encoded
from tests.simulated.world import World

# How long a call takes each way, seconds; in vain where there is no network, and where no answer comes to its end.
QUICK_S, SLOW_S = (0.01, 0.2), (5.0, 30.0)
READ_LIMIT_S, ANSWER_LIMIT_S = 20.0, 60.0
# How soon an answer without an end breaks off once that trouble is over, seconds.
LOOK_S = 1.0
# How much of what goes through something that changes it is changed.
FALSIFIED = 0.6


@dataclass
class Network(Relay):
    """What it does just now, and what it did.

    Attributes:
        world: in which it is.
        served: the server.
        heard: digest of all that was asked and answered.
        complaints: of what the server answered, in words.
        newer: what the server is while it is newer than its nodes.
    """

    world: World = field(kw_only=True)
    served: Served = field(kw_only=True)
    heard: Any = field(default_factory=sha256, kw_only=True)
    complaints: list[str] = field(default_factory=list, kw_only=True)
    newer: NewerServer | None = field(default=None, kw_only=True)

    def _ask(self, call: Call) -> Answer:
        if self._strikes("requests-falsified", FALSIFIED):
            call = changed_call(call, self.dice)
        if not self._strikes("work-newer"):
            self.newer = None
        elif self.newer is None:
            self.newer = newer_server.drawn(self.dice)
        answer = self._answer(call if self.newer is None else self.newer.asked(call))
        if self.newer is not None:
            answer = self.newer.said(call, answer)
        return changed_answer(answer, self.dice) if self._strikes("answers-falsified", FALSIFIED) else answer

    def _answer(self, call: Call) -> Answer:
        try:
            answer = self.served.call(call.method, call.path, call.body, call.headers)
        except urllib3.exceptions.ProtocolError:
            raise Cut from None
        if answer.status >= 500:
            self.complaints.append(
                f"the server answered {call.method} {call.path} with {answer.status}: {answer.body[:200]!r}"
            )
        self.heard.update(f"{self.world.now!r} {call.method} {call.path} {answer.status}\n".encode() + answer.body)
        return answer

    def _doubled(self, call: Call) -> Answer:
        self._ask(call)
        return self._ask(call)

    def _dawdle(self) -> None:
        self.world.wait(self.dice.uniform(*(SLOW_S if self._strikes("connections-slow") else QUICK_S)))

    def _come_between(self) -> None:
        for endless in ("answers-endless", "answers-dripping"):
            if self._strikes(endless):
                self._go_on_and_on(endless)
        super()._come_between()

    def _go_on_and_on(self, trouble: str) -> None:
        """An answer that has no end, until the trouble is over, as from the fault runs' relay, or the node's limit."""
        ends = self.world.now + ANSWER_LIMIT_S
        while self.troubles[trouble] > 0:
            if self.world.now >= ends:
                raise TimeoutError("the answer as a whole took too long")
            self.world.wait(LOOK_S)
        raise Cut

    def carry(self, call: Call) -> urllib3.HTTPResponse:
        """Take a call to the server, as well as it goes.

        Raises:
            ProtocolError, TimeoutError, ReadTimeoutError: as the library does where it goes ill.
        """
        try:
            answer = self.relay(call)
        except Cut:
            lost = any(self.troubles[kind] > 0 for kind in ("network-gone", "answers-lost"))
            self.world.wait(READ_LIMIT_S if lost else QUICK_S[1])
            if lost:
                raise urllib3.exceptions.ReadTimeoutError(None, call.path, "no answer in time") from None  # type: ignore[arg-type]
            raise urllib3.exceptions.ProtocolError("cut", ConnectionResetError()) from None
        except Hostile as hostility:
            return _read(b"".join(hostility.octets), call.method)
        body = answer.body
        headers = [(name, value) for name, value in answer.headers if name.lower() != "content-length"]
        headers += [("Content-Length", str(len(body)))] if answer.status != 304 else []
        if body and self.cuts_short():
            body = body[: len(body) // 2]
        return answered(io.BytesIO(body), headers, answer.status, call.method)


class _Socket(io.BytesIO):
    def makefile(self, mode: str) -> io.BytesIO:
        return self


def _read(octets: bytes, method: str) -> urllib3.HTTPResponse:
    """Octets as the library reads them from a connection."""
    raw = http.client.HTTPResponse(_Socket(octets), method=method)  # type: ignore[arg-type]
    try:
        raw.begin()
    except http.client.HTTPException as error:
        raise urllib3.exceptions.ProtocolError("broken", error) from error
    return answered(raw, raw.getheaders(), raw.status, method, original_response=raw)


@dataclass(frozen=True)
class Connections:
    """A node's: what the library's pool is over a real network."""

    network: Network

    def request(
        self,
        method: str,
        url: str,
        json: Any = None,
        headers: Mapping[str, str] | None = None,
        **_: Any,
    ) -> urllib3.HTTPResponse:
        """An answer, its body not read yet."""
        body, headers = encoded(json, headers or {})
        return self.network.carry(Call(method, url.removeprefix(HOST), headers, body))

    def clear(self) -> None:
        """There is nothing to close."""
