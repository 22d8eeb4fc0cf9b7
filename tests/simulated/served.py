"""The server in this process: its real WSGI application, called directly, on a database that can be put back.

There is one in a process, as Django has one set of settings. What lives in memory is forgotten when it dies, but for
caches of what never changes; two requests are never at work at once.
"""

from __future__ import annotations

import io
import json
import os
import sys
from collections.abc import Callable, Iterable, Iterator, Mapping
from contextlib import contextmanager
from dataclasses import dataclass, field
from functools import partial
from http.client import responses
from pathlib import Path
from typing import Any, NamedTuple
from unittest.mock import patch

import urllib3

from machines.chance import SYSTEM, Chance
from machines.clock import Clock
from tests.faults.relay import Answer
from tests.simulated.world import Crash, Fuse, World

HOST = "http://localhost"
# A process that is killed is so within so many virtual seconds, at a commit if there is one.
KILLED_WITHIN_S = 900.0
# A statement that begins so is committed by itself where no transaction was begun.
WRITING = ("INSERT", "UPDATE", "DELETE")


@dataclass
class Served:
    """The server's process.

    Attributes:
        home: its folder.
        world: in which it lives.
        clock: its own, which may be wrong.
        fuse: burns before and after each commit.
        process: is not None while it runs.
        chance: that it draws from.
    """

    home: Path
    world: World
    clock: Clock
    fuse: Fuse = field(default_factory=Fuse)
    process: object | None = None
    chance: Chance = SYSTEM

    def start(self) -> None:
        """As a new process: its jobs begin."""
        self.process = life = object()
        from server import jobs

        for job in (*jobs.DRAWING, *jobs.WATCHING):
            self.world.at(self.world.now, partial(self._work, job, life))

    def kill(self, places: int = 0) -> None:
        """End it without warning: at once, or at a commit of the next minutes.

        Args:
            places: where the power may go, that are passed before.
        """
        if self.process is not None and places:
            self.fuse.left = places
            self.world.run(self.world.now + KILLED_WITHIN_S, lambda: self.process is None)
        self.fuse.left = None
        self.died()

    stop = kill

    def died(self) -> None:
        """The process is gone: what was not committed is lost, and so is what was only in memory."""
        self.process = None
        self.forget()

    def forget(self) -> None:
        """No connection, and nothing in memory."""
        from django.core.cache import cache
        from django.db import connections

        raw = connections["default"].connection
        if raw is not None:
            raw.rollback()
            raw.close()
        del connections["default"]
        cache.clear()

    def _work(self, job: Any, life: object) -> None:
        if self.process is not life:
            return
        from server import jobs

        self.world.at(self.world.now + job.period_s, lambda: self._work(job, life))
        try:
            jobs.run_once(job)
        except Crash:
            self.died()

    def call(self, method: str, path: str, body: bytes, headers: Mapping[str, str]) -> Answer:
        """An answer.

        Raises:
            ProtocolError: the process is not there, or died on the way.
        """
        if self.process is None:
            raise urllib3.exceptions.ProtocolError("refused", ConnectionRefusedError())
        try:
            return answer_of(method, path, body, headers)
        except Crash:
            self.died()
            raise urllib3.exceptions.ProtocolError("the connection was reset", ConnectionResetError()) from None


def answer_of(method: str, path: str, body: bytes, headers: Mapping[str, str]) -> Answer:
    """What the server's application answers to a call."""
    from server.wsgi import application

    path, _, query = path.partition("?")
    environ: dict[str, Any] = {
        "REQUEST_METHOD": method,
        "PATH_INFO": path,
        "QUERY_STRING": query,
        "SCRIPT_NAME": "",
        "SERVER_NAME": "localhost",
        "SERVER_PORT": "80",
        "SERVER_PROTOCOL": "HTTP/1.1",
        "REMOTE_ADDR": "127.0.0.1",
        "CONTENT_LENGTH": str(len(body)),
        "wsgi.version": (1, 0),
        "wsgi.url_scheme": "http",
        "wsgi.input": io.BytesIO(body),
        "wsgi.errors": sys.stderr,
        "wsgi.multithread": False,
        "wsgi.multiprocess": False,
        "wsgi.run_once": False,
    }
    for name, value in headers.items():
        key = name.upper().replace("-", "_")
        environ[key if key == "CONTENT_TYPE" else f"HTTP_{key}"] = value
    said: list[Any] = []

    def start(status: str, headers: list[tuple[str, str]], exc_info: Any = None) -> Callable[[bytes], object]:
        said.extend((status, headers))
        return said.append

    answer = application(environ, start)
    try:
        content = b"".join(answer)
    finally:
        answer.close()
    return Answer(int(said[0].partition(" ")[0]), [*said[1], ("Content-Length", str(len(content)))], content)


def answered(
    body: Any, headers: Iterable[tuple[str, str]], status: int, method: str, **more: Any
) -> urllib3.HTTPResponse:
    """An answer as the library gives it, its body not read yet."""
    return urllib3.HTTPResponse(
        body,
        urllib3.HTTPHeaderDict(headers),
        status,
        reason=responses.get(status, ""),
        preload_content=False,
        request_method=method,
        enforce_content_length=True,
        **more,
    )


class Raw(NamedTuple):
    """An answer, read whole."""

    status: int
    data: bytes


@dataclass(frozen=True)
class Pool:
    """The studio's connections: straight to the server, past all that stands before it."""

    served: Served

    def request(
        self,
        method: str,
        url: str,
        headers: Mapping[str, str] | None = None,
        json: Any = None,
        timeout: float | None = None,
    ) -> Raw:
        """An answer, read whole."""
        body, headers = encoded(json, headers or {})
        answer = self.served.call(method, url.removeprefix(HOST), body, headers)
        return Raw(answer.status, answer.body)

    def clear(self) -> None:
        """There is nothing to close."""


def encoded(data: Any, headers: Mapping[str, str]) -> tuple[bytes, dict[str, str]]:
    """A body and headers as they are sent."""
    if data is None:
        return b"", dict(headers)
    return json.dumps(data).encode(), {**headers, "Content-Type": "application/json"}


def set_up(home: Path, settings: Mapping[str, str]) -> None:
    """Make this process the server's, with a folder of its own. Once, before anything of the server is imported."""
    os.environ.update({"DAYROLL_HOME": str(home), "DJANGO_SETTINGS_MODULE": "server.settings", **settings})
    home.mkdir(parents=True, exist_ok=True)
    import django
    from django.conf import settings as known

    known.DATABASES["default"]["CONN_MAX_AGE"] = None  # requests follow each other in one thread
    django.setup()


@contextmanager
def serving(served: Served) -> Iterator[None]:
    """Its clock and its chance are the process's, and its commits burn its fuse: those of transactions, and of
    statements alone."""
    from django.db.backends.sqlite3.base import DatabaseWrapper, SQLiteCursorWrapper

    from server import wiring

    right: Any = DatabaseWrapper  # which says of no private method what it is
    commit, execute = right._commit, SQLiteCursorWrapper.execute

    def burning(wrapper: Any) -> None:
        served.fuse.burn()
        commit(wrapper)
        served.fuse.burn()

    def executing(cursor: Any, sql: str, values: Any = None) -> Any:
        if cursor.connection.in_transaction or not sql.startswith(WRITING):
            return execute(cursor, sql, values)
        served.fuse.burn()
        execute(cursor, sql, values)
        served.fuse.burn()
        return cursor

    with (
        patch.object(wiring, "clock", lambda: served.clock),
        patch.object(wiring, "chance", lambda: served.chance),
        patch.object(DatabaseWrapper, "_commit", burning),
        patch.object(SQLiteCursorWrapper, "execute", executing),
    ):
        yield
