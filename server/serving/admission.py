"""What comes in over a connection: bodies no larger than whoever sends them may need, kept on the disk only within
bounds, and nothing that trickles.

All of it is decided from the head of a request, before its body is kept anywhere and before anybody is asked for a key.
A body that is too large is read to its end and thrown away, so that the sender hears why.
"""

from __future__ import annotations

import copy
import json
import re
import time
from collections.abc import Callable, Mapping
from functools import lru_cache
from io import BytesIO
from typing import Any

from waitress.adjustments import Adjustments
from waitress.channel import HTTPChannel
from waitress.parser import HTTPRequestParser
from waitress.task import ErrorTask, WSGITask
from waitress.utilities import Error, RequestEntityTooLarge

from scheduling.rendering.upload_store import LARGEST_UPLOAD_BYTES
from server import wiring
from server.api.json_parser import LARGEST_BODY_BYTES
from server.api.problem_kinds import TOO_LARGE, UNAVAILABLE
from server.api.problems import MEDIA_TYPE, TRY_AGAIN_AFTER_S, body_of, of_kind, plain
from server.security import EVERYWHERE

COME_AGAIN = f"nothing was written, and the same request may be sent again in {TRY_AGAIN_AFTER_S} s"
UPLOADS = "/api/v1/uploads"
# Where people send a file with a form.
FILE_FORMS = re.compile(r"/sources/(new|[a-z0-9-]{1,40}/change)", re.ASCII)
# Whoever shows neither key nor cookie sends an enrolment code or nothing.
LARGEST_STRANGERS_BODY_BYTES = 64_000
# Bodies that are under way or being answered, all together; smaller ones are held in memory and not counted.
MOST_SPOOLED_BYTES = 512_000_000
# For the head of a request; a body has more, as long as it comes at this mean rate.
HEAD_LIMIT_S = 10.0
LEAST_BYTES_A_S = 4_000


def largest_body(path: str, headers: Mapping[str, str]) -> int:
    """How long the body of a request may be, in bytes, by its path and its heads (as the parser names them)."""
    with_a_form = FILE_FORMS.fullmatch(path) is not None and "COOKIE" in headers
    if with_a_form or (path == UPLOADS and "AUTHORIZATION" in headers):
        return LARGEST_UPLOAD_BYTES
    if "AUTHORIZATION" in headers or "COOKIE" in headers:
        return LARGEST_BODY_BYTES
    return LARGEST_STRANGERS_BODY_BYTES


class NoRoom(Error):
    """Bodies of others take up all the room that there is."""

    code, reason = UNAVAILABLE.status.value, UNAVAILABLE.status.phrase


class NoTurn(Error):
    """Others wait already for as long as anybody is to wait."""

    code, reason = UNAVAILABLE.status.value, UNAVAILABLE.status.phrase

    def __init__(self) -> None:
        super().__init__(f"More is asked of the server than it can answer at the moment; {COME_AGAIN}.")


class Discarded:
    """Takes the place of where a body is kept: counts it, and keeps nothing."""

    error = None

    def __init__(self, length: int) -> None:
        self.left = length

    def __len__(self) -> int:
        return 0

    @property
    def completed(self) -> bool:
        """Whether all of it came."""
        return self.left == 0

    def received(self, data: bytes) -> int:
        """Take what is of this body; how much that was."""
        taken = min(self.left, len(data))
        self.left -= taken
        return taken

    def getfile(self) -> BytesIO:
        """Nothing of it is there to be read."""
        return BytesIO()

    def getbuf(self) -> Discarded:
        """What is closed at the end."""
        return self

    def close(self) -> None:
        """Nothing was opened."""


class Request(HTTPRequestParser):
    """One request as it comes in.

    Attributes:
        promised: how many bytes of body it may still bring, or has brought, that are counted as spooled.
        begun: when its first byte came, by the monotonic clock, s.
    """

    promised = 0
    adj: Adjustments
    content_length: int
    expect_continue: bool
    body_bytes_received: int

    def __init__(self, adjustments: Adjustments, room: Callable[[], int]) -> None:
        super().__init__(adjustments)
        self.room = room
        self.begun = time.monotonic()

    def parse_header(self, head: bytes) -> None:
        """Read the head, and decide on the body."""
        super().parse_header(head)
        most = largest_body(self.path, self.headers)
        promised = most if self.chunked else self.content_length
        if promised > most:
            self._refuse(RequestEntityTooLarge(f"The body is longer than {most} bytes."))
        elif promised > LARGEST_STRANGERS_BODY_BYTES and promised > self.room():
            self._refuse(NoRoom("Too much is being sent to the server at the moment; nothing was written."))
        else:
            self.promised = promised if promised > LARGEST_STRANGERS_BODY_BYTES else 0
            self.adj = _at_most(self.adj, most)

    def _refuse(self, error: Error) -> None:
        self.error = error
        bearable = self.content_length <= LARGEST_UPLOAD_BYTES and not self.chunked and not self.expect_continue
        self.body_rcv = Discarded(self.content_length) if bearable else None
        self.content_length, self.expect_continue = 0, False

    @property
    def is_slow(self) -> bool:
        """Whether it should have been here by now."""
        allowed_s = HEAD_LIMIT_S + self.body_bytes_received / LEAST_BYTES_A_S
        return time.monotonic() - self.begun > allowed_s


@lru_cache(maxsize=8)
def _at_most(adjustments: Adjustments, most: int) -> Adjustments:
    """The same settings with another limit; the server refuses what reaches it."""
    changed = copy.copy(adjustments)
    changed.max_request_body_size = most + 1
    return changed


class Refusal(ErrorTask):
    """The answer to what never came as far as the application: below ``/api/`` problem details, as all others there."""

    def execute(self) -> None:
        """Write it, and close the connection."""
        error = self.request.error
        self.response_headers += [("X-Content-Type-Options", "nosniff"), ("Content-Security-Policy", EVERYWHERE)]
        if error.code == UNAVAILABLE.status:
            self.response_headers.append(("Retry-After", str(TRY_AGAIN_AFTER_S)))
        if not getattr(self.request, "path", "").startswith("/api/"):
            super().execute()
            return
        kind = {TOO_LARGE.status: TOO_LARGE, UNAVAILABLE.status: UNAVAILABLE}.get(error.code)
        problem = of_kind(kind, error.body) if kind else plain(error.code, error.body)
        number = wiring.chance().number()
        body = json.dumps(body_of(problem, number)).encode()
        self.status = f"{error.code} {error.reason}"
        self.response_headers += [("Content-Type", MEDIA_TYPE), ("X-Request-Id", number)]
        self.set_close_on_finish()
        self.content_length = len(body)
        self.write(body)


class Reply(WSGITask):
    """The application's answer."""

    def write(self, data: bytes) -> None:
        """To HEAD the heads only: a body after them would be taken for the next answer."""
        super().write(b"" if self.request.command == "HEAD" else data)


class Connection(HTTPChannel):
    """One connection, whose requests are read and answered as above."""

    task_class = Reply
    error_task_class = Refusal

    def parser_class(self, adjustments: Adjustments) -> Request:
        """A request that begins to come in."""
        return Request(adjustments, self.server.room)

    @property
    def waits_since(self) -> float:
        """Since when nothing whole came over it, by the monotonic clock, s."""
        return self.quiet_since if self.request is None else self.request.begun

    def __init__(self, *args: Any, **kwargs: Any) -> None:
        super().__init__(*args, **kwargs)
        self.quiet_since = time.monotonic()

    def refuse(self) -> None:
        """Tell whoever asked that they will not be answered in time, without any thread. Only while none is at it."""
        self.requests[0].error = NoTurn()
        self.service()

    def service(self) -> None:
        """Answer what came."""
        try:
            super().service()
        finally:
            self.quiet_since = time.monotonic()
