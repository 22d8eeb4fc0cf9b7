"""A server in processes of its own, on SQLite or on PostgreSQL, and a board that reports to it without a pause, by its
real journal and its real exchange, over HTTP."""

from __future__ import annotations

import json
import sqlite3
import subprocess
import threading
from collections.abc import Iterator
from concurrent.futures import Future, ThreadPoolExecutor
from contextlib import closing, contextmanager
from dataclasses import dataclass, field
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

import psycopg
import urllib3

from machines.chance import SYSTEM
from machines.clock import SystemClock
from machines.node import assembly
from machines.node.assembly import assemble
from machines.node.settings import Settings
from machines.node.store import outbox
from machines.node.store.journal import Journal, open_journal
from machines.node.sync.exchange import Exchange
from machines.node.sync.failures import CallFailed
from machines.node.waiting.inquiry import WorkInquiry
from machines.node.work.plate_cache import PlateCache
from machines.protocol.journal_entries import ConditionsChanged
from tests.server.enrolling import enrol
from tests.server.processes import process, run, wait_for_line
from tests.server.studio import IN_ORDER
from tests.services import free_port

MACHINE = "wren-1"
# So many entries are told, and then it asks for work.
WORK_EVERY = 5
TOLD = "SELECT data FROM log_event WHERE stream = 'machine/wren-1' AND kind = 'conditions-changed' ORDER BY position"


@dataclass
class House:
    """Where a server lives: a home, and on PostgreSQL a database.

    Attributes:
        folder: for all that is of it.
        database: address of the PostgreSQL database; empty on SQLite.
        port: on which it listens, each time.
    """

    folder: Path
    database: str = ""
    port: int = field(default_factory=free_port)

    @property
    def home(self) -> Path:
        return self.folder / "home"

    @property
    def address(self) -> str:
        return f"http://127.0.0.1:{self.port}"

    @property
    def environment(self) -> dict[str, str]:
        return {"DAYROLL_HOME": str(self.home), "DAYROLL_DATABASE": self.database, "DAYROLL_EXTEND_EVERY_S": "1"}

    @contextmanager
    def served(self, *options: str) -> Iterator[subprocess.Popen[bytes]]:
        """A server, for as long as the block lasts; its process."""
        log = self.folder / "server.log"
        with process(["-m", "server", "serve", f"--port={self.port}", *options], self.environment, log) as child:
            wait_for_line(child, log, "Dayroll is at")
            yield child

    def command(self, *words: str) -> str:
        """What a command says that goes well."""
        done = run(list(words), self.environment)
        assert done.returncode == 0, (words, done.stderr)
        return done.stdout

    def refused(self, *words: str) -> str:
        """What a command says that does not."""
        done = run(list(words), self.environment)
        assert done.returncode == 1, (words, done.stdout, done.stderr)
        assert "Traceback" not in done.stderr
        return done.stderr

    def rows(self, query: str) -> list[tuple[Any, ...]]:
        """Of the database itself."""
        if self.database:
            with psycopg.connect(self.database) as connection:
                return connection.execute(query).fetchall()
        with closing(sqlite3.connect(self.home / "dayroll.sqlite3")) as connection:
            return connection.execute(query).fetchall()

    def told(self) -> list[int]:
        """Numbers of the entries of the board, in the order of the log."""
        bodies = (data if isinstance(data, str) else json.dumps(data) for (data,) in self.rows(TOLD))
        return [json.loads(body)["seq"] for body in bodies]

    def events(self) -> list[tuple[Any, ...]]:
        """The whole log, as it is stored."""
        return self.rows("SELECT * FROM log_event ORDER BY position")


@dataclass
class Studio:
    """Somebody of the studio, over HTTP."""

    address: str
    key: str

    def post(self, path: str, body: Any = None) -> Any:
        headers = {"Authorization": f"Bearer {self.key}"}
        answer = urllib3.request("POST", f"{self.address}/api/v1/{path}", json=body, headers=headers, retries=False)
        assert answer.status in (200, 201), (path, answer.data)
        return answer.json()


def furnish(house: House) -> Studio:
    """One of everything that a machine needs, through the API of a server that is up."""
    studio = Studio(house.address, house.command("studio-key", "tests").strip())
    for resource, body in IN_ORDER[:4]:
        studio.post(resource, body)
    return studio


@dataclass
class Reporter:
    """A board that adds an entry to its journal and tells it, again and again in a thread, and asks for work meanwhile.

    Attributes:
        home: its folder.
        accepted: how many were accepted so far.
        failures: what calls failed of, in order.
    """

    home: Path
    accepted: int = 0
    failures: list[CallFailed] = field(default_factory=list)
    _stop: threading.Event = field(default_factory=threading.Event)
    _more: threading.Condition = field(default_factory=threading.Condition)
    _thread: Future[None] = field(default_factory=Future)

    def enrol(self, server: str, code: str) -> None:
        enrol(self.home, server, code)

    @contextmanager
    def reporting(self) -> Iterator[None]:
        """For as long as the block lasts; then what is left is told."""
        self._stop.clear()
        with ThreadPoolExecutor(1) as pool:
            self._thread = pool.submit(self._report)
            try:
                yield
            finally:
                self._stop.set()
        self._thread.result()

    def wait_for(self, more: int, patience_s: float = 120.0) -> int:
        """Until so many more are accepted; returns how many are in all."""
        with self._more:
            wanted = self.accepted + more
            assert self._more.wait_for(lambda: self.accepted >= wanted or self._thread.done(), patience_s), (
                self.failures
            )
        if self._thread.done():
            self._thread.result()
        return self.accepted

    def tell_all(self) -> int:
        """What is not accepted yet; returns how many entries the journal has."""
        with self._opened() as (journal, exchange):
            exchange.reports.run()
            with journal.reading() as db:
                assert outbox.count_unaccepted(db) == 0
                return outbox.next_seq(db) - 1

    def _report(self) -> None:
        with self._opened() as (journal, exchange):
            while not self._stop.is_set():
                self._add(journal)
                self._try(journal, exchange)

    def _add(self, journal: Journal) -> None:
        with journal.transaction() as db:
            seq = outbox.next_seq(db)
            keywords = ("media-low",) if seq % 2 else ()
            outbox.append(db, ConditionsChanged(seq=seq, at=datetime.now(UTC), keywords=keywords))

    def _try(self, journal: Journal, exchange: Exchange) -> None:
        try:
            exchange.reports.run()
            if not self.accepted % WORK_EVERY:
                exchange.fetch_work()
        except CallFailed as failure:
            self.failures.append(failure)
            exchange.client.close()
            self._stop.wait(0.05)
        with journal.reading() as db, self._more:
            self.accepted = outbox.next_seq(db) - 1 - outbox.count_unaccepted(db)
            self._more.notify_all()

    @contextmanager
    def _opened(self) -> Iterator[tuple[Journal, Exchange]]:
        clock, journal = SystemClock(), open_journal(self.home)
        parts = assemble(
            assembly.Board(
                home=self.home,
                journal=journal,
                clock=clock,
                boot="boot",
                plates=PlateCache(self.home / "plates"),
                open_driver=_no_machine,
                connect=assembly.call,
                inquiry=WorkInquiry(clock.elapsed, clock.elapsed),
                chance=SYSTEM,
            ),
            Settings(horizon="PT24H"),
        )
        try:
            yield journal, parts.exchange
        finally:
            parts.exchange.client.close()
            journal.close()


def _no_machine(*_: Any) -> Any:
    raise AssertionError("nothing is printed here")


def enrolled(house: House, studio: Studio, name: str = "board") -> Reporter:
    """A board of the machine."""
    reporter = Reporter(house.folder / name)
    reporter.enrol(house.address, studio.post(f"machines/{MACHINE}/enrolment")["code"])
    return reporter


@contextmanager
def database_of(url: str, name: str) -> Iterator[str]:
    """A new, empty database of a PostgreSQL; its address."""
    with psycopg.connect(url, autocommit=True) as connection:
        connection.execute(f'DROP DATABASE IF EXISTS "{name}" WITH (FORCE)')
        connection.execute(f'CREATE DATABASE "{name}"')
    yield f"{url.rpartition('/')[0]}/{name}"
    with psycopg.connect(url, autocommit=True) as connection:
        connection.execute(f'DROP DATABASE "{name}" WITH (FORCE)')
