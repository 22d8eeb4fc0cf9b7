"""A receiver of webhooks, as somebody on call has one: it takes what comes, and looks whether it is signed.

The signature is checked by RFC 2104 spelled out over what the receiver got, and not by the code that made it.
"""

from __future__ import annotations

import base64
import hashlib
import json
import threading
from dataclasses import dataclass, field
from http.server import BaseHTTPRequestHandler, ThreadingHTTPServer
from typing import Any

BLOCK = 64  # octets of a block of SHA-256 (RFC 6234 section 3)


@dataclass(frozen=True)
class Hook:
    """A webhook that came in: its id, what it says, and whether it is signed by the secret."""

    id: str
    said: dict[str, Any]
    is_signed: bool


@dataclass
class Receiver:
    """Listens on loopback until it is closed.

    Attributes:
        secret: by which what comes must be signed; empty before it is known.
        taken: what came, in order.
    """

    secret: str = ""
    taken: list[Hook] = field(default_factory=list)

    def __post_init__(self) -> None:
        self._server = ThreadingHTTPServer(("127.0.0.1", 0), _handler(self))
        self._thread = threading.Thread(target=self._server.serve_forever, name="receiver", daemon=True)
        self._thread.start()

    @property
    def address(self) -> str:
        """Where it listens."""
        return f"http://127.0.0.1:{self._server.server_address[1]}/hook"

    def close(self) -> None:
        """Listen no more."""
        self._server.shutdown()
        self._thread.join()
        self._server.server_close()


def signature(secret: str, id: str, timestamp: str, body: bytes) -> str:
    """That of a webhook, by Standard Webhooks 1.0.0 and RFC 2104."""
    key = base64.b64decode(secret.removeprefix("whsec_")).ljust(BLOCK, b"\0")
    inner, outer = (bytes(one ^ pad for one in key) for pad in (0x36, 0x5C))
    said = b".".join((id.encode(), timestamp.encode(), body))
    made = hashlib.sha256(outer + hashlib.sha256(inner + said).digest()).digest()
    return f"v1,{base64.b64encode(made).decode()}"


def _handler(receiver: Receiver) -> type[BaseHTTPRequestHandler]:
    class Handler(BaseHTTPRequestHandler):
        def do_POST(self) -> None:
            body = self.rfile.read(int(self.headers["content-length"]))
            id, timestamp = self.headers["webhook-id"], self.headers["webhook-timestamp"]
            right = signature(receiver.secret, id, timestamp, body)
            receiver.taken.append(Hook(id, json.loads(body), right in self.headers["webhook-signature"].split(" ")))
            self.send_response(204)
            self.end_headers()

        def log_message(self, *args: Any) -> None:
            """Nothing."""

    return Handler
