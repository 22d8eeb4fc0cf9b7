"""The five calls of a node, by what the standard library has, and what becomes of each answer."""

from __future__ import annotations

import json
import urllib.error
import urllib.request
from typing import Any

PATIENCE_S = 10.0
LONGEST_ANSWER = 16_777_216


class NotHeard(Exception):
    """Nothing came, or nothing of the server's: the same question may be asked again later.

    Attributes:
        wait_s: not before so many seconds.
    """

    def __init__(self, why: str, wait_s: float = 0.0) -> None:
        super().__init__(why)
        self.wait_s = wait_s


class Problem(Exception):
    """The server says no.

    Attributes:
        slug: which problem, the last part of its type.
        body: all that is said of it.
    """

    def __init__(self, body: dict[str, Any]) -> None:
        super().__init__(body.get("detail", ""))
        self.slug = str(body["type"]).rpartition("/")[2]
        self.body = body


class Server:
    """A server, and with what a board comes in."""

    def __init__(self, address: str, token: str | None = None) -> None:
        """Nothing is asked yet."""
        self._base, self._token = address.rstrip("/") + "/api/v1/", token

    def json(self, path: str, body: Any = None) -> Any:
        """An answer that is JSON."""
        return json.loads(self.call(path, body)[1])

    def call(self, path: str, body: Any = None, tag: str | None = None) -> tuple[int, bytes, str]:
        """Ask.

        Args:
            path: below ``/api/v1/``.
            body: to be sent as JSON; None for a question without.
            tag: of what is held already.

        Returns:
            the status, 304 for what is held; the body; and its tag.

        Raises:
            NotHeard: ask again later.
            Problem: asking the same again cannot help.
        """
        headers = {"Authorization": f"Bearer {self._token}"} if self._token else {}
        if tag is not None:
            headers["If-None-Match"] = tag
        if body is not None:
            headers["Content-Type"] = "application/json"
        data = None if body is None else json.dumps(body).encode()
        request = urllib.request.Request(self._base + path, data, headers)
        try:
            with urllib.request.urlopen(request, timeout=PATIENCE_S) as answer:
                return answer.status, answer.read(LONGEST_ANSWER), answer.headers.get("ETag", "")
        except urllib.error.HTTPError as error:
            if error.code == 304 and tag is not None:
                return 304, b"", tag
            raise _said(error) from error
        except (OSError, urllib.error.URLError) as error:
            raise NotHeard(str(error)) from error


def _said(error: urllib.error.HTTPError) -> NotHeard | Problem:
    """Only what has the form of the server's own counts as said by it; a venue's network says many things."""
    wait_s = float(error.headers.get("Retry-After", "0")) if error.headers.get("Retry-After", "0").isdecimal() else 0.0
    if error.code in (429, 503, 507) or error.headers.get_content_type() != "application/problem+json":
        return NotHeard(f"status {error.code}", wait_s)
    return Problem(json.loads(error.read(LONGEST_ANSWER)))
