"""A lane of fault runs: one server with the studio's way in, and a relay before it, for one scenario after another."""

from __future__ import annotations

import sys
import time
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any

from machines.clock import CompressedClock, utc
from machines.structure import format_instant
from server.demo.processes import Child, Studio, environment, free_port, run, server, wait_for_server
from tests.faults.relay import Relay, relaying
from tests.faults.scenario import POLICIES, Scenario

CLOCK_BEGINS = datetime(2026, 9, 1, tzinfo=UTC)
# A column of two minutes lasts a twentieth of a second.
SECONDS_SHOWN_PER_SECOND = 2400.0
# From planning a run to its first column: the plate is drawn, and the board starts.
LEAD_HOURS = 1.8
# Intervals in seconds as shown by the clock.
SETTINGS = {
    "DAYROLL_POLL_AFTER_S": "300",
    "DAYROLL_SILENT_AFTER_S": "5400",
    "DAYROLL_HORIZON_H": "24",
    "DAYROLL_EXTEND_EVERY_S": "600",
    "DAYROLL_WATCH_EVERY_S": "1200",
}
VENUE = {
    "name": "The Net Store",
    "latitude_degrees": 47.57,
    "longitude_degrees": -52.70,
    "zone": "America/St_Johns",
}
SOURCE = {"name": "The land of the world", "picture": {"kind": "map", "projection": "mercator"}}
_MACHINE = {
    "columns_per_turn": 720,
    "mm_per_turn": 360.0,
    "dots_across": 64,
    "print_width_mm": 64.0,
    "highest_mm_per_hour": 60.0,
    "knife": {"head_to_knife_mm": 5.0, "cuts_per_blade": 4000},
    "media": {"width_mm": 80.0, "caliper_mm": 0.1, "roll_m": 50.0},
}
PROFILES: dict[str, dict[str, Any]] = {
    "crawl": _MACHINE
    | {
        "name": "Sandpiper, a line head that crawls",
        "columns_per_burst": 1,
        "head": {"kind": "line", "dot_current_a": 0.03, "supply_current_a": 0.6, "strobe_s": 0.002},
    },
    "burst": _MACHINE
    | {
        "name": "Dunlin, a carriage in bursts",
        "columns_per_burst": 16,
        "head": {"kind": "carriage", "nozzles": 12, "passes": 3, "drop_pl": 10.0},
    },
}
STRIPS_PER_TURN = 48


@dataclass
class Lane:
    """What scenarios stand on.

    Attributes:
        folder: of the lane; scenarios have folders below.
        clock: the true one of all its processes.
        server: its process.
        studio: the way into the API, beside the relay.
        relay: between nodes and server.
        address: of the relay, which is all that a node knows.
        made: how many machines were made.
    """

    folder: Path
    clock: CompressedClock
    server: Child
    studio: Studio
    relay: Relay
    address: str
    made: int = 0

    def add_machine(self, scenario: Scenario) -> str:
        """A machine of its own for a scenario; its id."""
        self.made += 1
        id = f"m{self.made}-{scenario.seed}"
        self.studio.create("machines", {"id": id, "name": id, "venue": "net-store", "profile": scenario.profile})
        return id

    def plan_run(self, scenario: Scenario, machine: str) -> datetime:
        """The machine's one run, of the same id; when it begins."""
        begins = utc(self.clock.now()) + timedelta(hours=LEAD_HOURS)
        body = {
            "id": machine,
            "machine": machine,
            "source": "land",
            "cycle": scenario.cycle,
            "starts_at": format_instant(begins),
            "ends_at": format_instant(begins + timedelta(hours=scenario.hours)),
            "policy": POLICIES[scenario.policy],
            "strips_per_turn": STRIPS_PER_TURN,
        }
        self.studio.create("runs", body)
        return begins

    def server_environment(self) -> dict[str, str]:
        """Of a command beside the server."""
        return environment(self.folder / "server", self.clock, **SETTINGS)

    def log_command(self, command: str) -> str:
        """What `dayroll log` says; raises where something is not as it should be."""
        return run([sys.executable, "-m", "server", "log", command], self.server_environment())


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
            wait_for_server(studio.address, child)
            studio.key = run(
                [sys.executable, "-m", "server", "studio-key", "faults"], lane.server_environment()
            ).strip()
            _furnish(studio)
            yield lane
        finally:
            studio.pool.clear()
            child.stop()


def _furnish(studio: Studio) -> None:
    studio.create("venues", {"id": "net-store", **VENUE})
    studio.create("sources", {"id": "land", **SOURCE})
    for id, profile in PROFILES.items():
        studio.create("profiles", {"id": id, "profile": profile})
