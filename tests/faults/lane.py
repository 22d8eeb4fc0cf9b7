"""A lane of fault runs: one server with the studio's way in, and a relay before it, for one scenario after another."""

from __future__ import annotations

import shutil
import sqlite3
import sys
import time
from collections.abc import Iterator
from contextlib import closing, contextmanager
from dataclasses import dataclass, field, replace
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any

from machines.clock import CompressedClock, utc
from server.demo.processes import (
    Child,
    Studio,
    environment,
    free_port,
    run,
    run_until_it_works,
    server,
    wait_for_server,
)
from tests.faults.furniture import VENUES, furnish, open_as_furnished
from tests.faults.options import POLICIES
from tests.faults.program import Program, program
from tests.faults.relay import Relay, relaying
from tests.faults.scenario import Scenario

DATABASE = "dayroll.sqlite3"
CLOCK_BEGINS = datetime(2026, 9, 1, tzinfo=UTC)
# A column of two minutes lasts a twentieth of a second.
SECONDS_SHOWN_PER_SECOND = 2400.0
# From planning the runs to the first column: plates are drawn, and the board starts.
LEAD_HOURS = 1.8
# A computer that is very busy takes so long to begin, real seconds.
OPENING_LIMIT_S = 180.0
# Intervals in seconds as shown by the clock.
SETTINGS = {
    "DAYROLL_POLL_AFTER_S": "300",
    "DAYROLL_SILENT_AFTER_S": "5400",
    "DAYROLL_HORIZON_H": "24",
    "DAYROLL_EXTEND_EVERY_S": "600",
    "DAYROLL_WATCH_EVERY_S": "1200",
}


@dataclass
class Lane:
    """What scenarios stand on.

    Attributes:
        folder: of the lane; scenarios have folders below.
        clock: the true one of all its boards and machines.
        server: its process.
        studio: the way into the API, beside the relay.
        relay: between nodes and server.
        address: of the relay, which is all that a node knows.
        made: how many machines were made.
        ahead_s: by how much the server's clock is ahead of the true one, seconds.
        accounted_limit_s: how long all may take to be accounted for once nothing is wrong any more, real seconds; for a
            computer that is very busy, and no promise.
        more_making: what begins and ends kinds of faults that only this lane can play.
    """

    folder: Path
    clock: CompressedClock
    server: Child
    studio: Studio
    relay: Relay
    address: str
    made: int = 0
    ahead_s: float = 0.0
    accounted_limit_s: float = 90.0
    more_making: dict[str, Any] = field(default_factory=dict)

    @property
    def home(self) -> Path:
        """The server's folder."""
        return self.folder / "server"

    @property
    def server_clock(self) -> CompressedClock:
        """As the server believes it."""
        return replace(self.clock, began_at=self.clock.began_at + self.ahead_s)

    def add_machine(self, scenario: Scenario) -> str:
        """A machine of its own for a scenario; its id."""
        self.made += 1
        id = f"m{self.made}-{scenario.seed}"
        venue = VENUES[POLICIES[scenario.policy].get("only_while_closed", False)]
        open_as_furnished(self.studio)
        self.studio.create("machines", {"id": id, "name": id, "venue": venue, "profile": scenario.profile})
        return id

    def next_begin(self) -> datetime:
        """When runs that are planned now can begin."""
        return utc(self.clock.now()) + timedelta(hours=LEAD_HOURS)

    def beside(self) -> Lane:
        """The lane of a neighbour, behind the same relay: what becomes of the network becomes of both."""
        return self

    def program(self, scenario: Scenario, home: Path, trouble: Path) -> Program:
        """The program of a board."""
        return program(self.clock, scenario, home, trouble)

    def real_s(self) -> float:
        """Seconds that really passed, since some instant."""
        return time.monotonic()

    def pass_time(self, real_s: float) -> None:
        """Let everything go on for so many real seconds."""
        time.sleep(real_s)

    def server_environment(self) -> dict[str, str]:
        """Of a command beside the server."""
        return environment(self.home, self.server_clock, **SETTINGS)

    def command(self, *arguments: str) -> str:
        """What a command of the server says; raises where it fails."""
        return run([sys.executable, "-m", "server", *arguments], self.server_environment())

    def copy_server(self, copy: Path) -> None:
        """Copy the server's database, while it runs."""
        copy_database(self.home, copy)

    def put_server_back(self, copy: Path) -> None:
        """The database of the server, which is off, as a copy has it."""
        put_database_back(self.home, copy)

    def remake_key(self) -> None:
        """The studio's way in, for a server that does not know it."""
        command = [sys.executable, "-m", "server", "studio-key", "faults"]
        self.studio.key = run_until_it_works(command, self.server_environment(), OPENING_LIMIT_S).strip()

    def move(self, ahead_s: float) -> None:
        """Elsewhere, and with a clock that is ahead by so much; not started yet."""
        port = free_port()
        self.ahead_s = ahead_s
        self.server = server(self.home, self.server_clock, port, SETTINGS)
        self.studio.address = f"http://127.0.0.1:{port}"
        self.relay.server = port

    def wait(self) -> None:
        """Until the server answers."""
        wait_for_server(self.studio.address, self.server)


def copy_database(home: Path, copy: Path) -> None:
    """Copy the database of a server's folder, all that is committed."""
    with closing(sqlite3.connect(home / DATABASE)) as source, closing(sqlite3.connect(copy)) as target:
        source.backup(target)


def put_database_back(home: Path, copy: Path) -> None:
    """The database in the folder of a server that is off, as a copy has it."""
    for ending in ("", "-wal", "-shm"):
        home.joinpath(DATABASE + ending).unlink(missing_ok=True)
    shutil.copy(copy, home / DATABASE)


@contextmanager
def open_lane(folder: Path) -> Iterator[Lane]:
    """A lane in an empty folder."""
    clock = CompressedClock(time.clock_gettime(time.CLOCK_BOOTTIME), CLOCK_BEGINS.timestamp(), SECONDS_SHOWN_PER_SECOND)
    home, port = folder / "server", free_port()
    home.mkdir(parents=True)
    child, relay = server(home, clock, port, SETTINGS), Relay(port)
    with relaying(relay) as address:
        studio = Studio(f"http://127.0.0.1:{port}", "")
        lane = Lane(folder, clock, child, studio, relay, address)
        child.start()
        try:
            lane.wait()
            lane.remake_key()
            furnish(studio)
            yield lane
        finally:
            studio.pool.clear()
            lane.server.stop()
