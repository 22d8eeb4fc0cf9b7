"""Somebody who asks a server over HTTP, and is otherwise as the callers of the tests are: their orders can be given."""

from __future__ import annotations

import json
import time
from dataclasses import dataclass
from typing import Any

import urllib3

from tests.server.studio import Caller

LOOPBACK = "127.0.0.1"
PATIENCE_S = 60.0
# Where nothing is broken by being late, as on a computer that does much else.
UNTIMED_PATIENCE_S = 600.0


@dataclass(frozen=True)
class Answer:
    """What came back; status 0 where nothing did."""

    status_code: int
    headers: urllib3.HTTPHeaderDict
    content: bytes
    took_s: float

    def json(self) -> Any:
        """The body as JSON."""
        return json.loads(self.content)

    def __getitem__(self, name: str) -> str:
        return self.headers[name]


@dataclass(frozen=True)
class Wire:
    """Asks one server on this machine, with a key or without."""

    port: int
    token: str | None = None
    patience_s: float = PATIENCE_S

    def get(self, path: str, **heads: str) -> Answer:
        """Heads are written as Django's test client has them: ``HTTP_IF_NONE_MATCH``."""
        return self.generic("GET", path, **heads)

    def post(self, path: str, data: bytes | str, content_type: str, **heads: str) -> Answer:
        """A body as it is."""
        return self.generic("POST", path, data, content_type, **heads)

    def generic(
        self, method: str, path: str, data: bytes | str = b"", content_type: str | None = None, **heads: str
    ) -> Answer:
        """Any method."""
        sent = {name.removeprefix("HTTP_").replace("_", "-").title(): value for name, value in heads.items()}
        if self.token is not None:
            sent["Authorization"] = f"Bearer {self.token}"
        if content_type is not None:
            sent["Content-Type"] = content_type
        body = data.encode() if isinstance(data, str) else data
        began = time.monotonic()
        try:
            answer = urllib3.request(
                method,
                f"http://{LOOPBACK}:{self.port}{path}",
                headers=sent,
                body=body or None,
                timeout=self.patience_s,
                retries=False,
                redirect=False,
            )
        except urllib3.exceptions.HTTPError as error:
            return Answer(0, urllib3.HTTPHeaderDict(), str(error).encode(), time.monotonic() - began)
        return Answer(answer.status, answer.headers, answer.data, time.monotonic() - began)


@dataclass
class Remote(Caller):
    """A caller of the API of one server on this machine."""

    port: int = 0
    patience_s: float = PATIENCE_S

    def _client(self) -> Any:
        return Wire(self.port, self.token, self.patience_s)
