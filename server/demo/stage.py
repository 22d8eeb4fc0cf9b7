"""What runs in the demonstration, and where it keeps its things."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from datetime import datetime
from pathlib import Path
from typing import Any

from machines.clock import CompressedClock, utc
from server.demo import changes, scenario
from server.demo.processes import Child, Studio
from server.demo.receiver import Receiver
from server.demo.venue_network import VenueNetwork


@dataclass
class Stage:
    """Everything that runs, and where it keeps its things.

    Attributes:
        folder: of the demonstration; each process has a folder and a log file below.
        clock: the one clock of all processes.
        studio: the way into the API.
        server: its process.
        nodes: station id to process.
        begins: when the runs do.
        refusal: status and answer to the local time that comes twice.
        server_died_at, server_back_at: between these nobody answered.
        shares: of a core that were to be had, one for each look while the day passed.
        network: of the station that loses it.
        network_back_at: when it came back.
        receiver: of webhooks, by which somebody on call is told.
        foretold: what the API said, before the day, would hang at each station, by station id.
        moved, ended, followed: the opening and the runs that were changed, once they were.
    """

    folder: Path
    clock: CompressedClock
    studio: Studio
    server: Child
    nodes: dict[str, Child] = field(default_factory=dict)
    begins: datetime = scenario.CLOCK_BEGINS
    refusal: tuple[int, Any] = (0, None)
    server_died_at: datetime = scenario.CLOCK_BEGINS
    server_back_at: datetime = scenario.CLOCK_BEGINS
    shares: list[float] = field(default_factory=list)
    network: VenueNetwork | None = None
    network_back_at: datetime = scenario.CLOCK_BEGINS
    receiver: Receiver | None = None
    foretold: dict[str, list[Mapping[str, Any]]] = field(default_factory=dict)
    moved: changes.Moved | None = None
    ended: changes.Ended | None = None
    followed: changes.Followed | None = None

    def runs_of(self, station: scenario.Station) -> list[str]:
        """Ids of a station's runs, in order."""
        is_followed = self.followed is not None and station.id == scenario.CHANGES.follows
        return [station.run, *([self.followed.run] if is_followed and self.followed else [])]

    def say(self, words: str) -> None:
        """A line of the story, with the clock's time."""
        now = utc(self.clock.now())
        print(f"  {now:%a %d %b %H:%M} UTC  {words}", flush=True)

    def close(self) -> None:
        """End every process that is left, in order where it can be."""
        for child in (*self.nodes.values(), self.server):
            if child.process is not None and child.process.poll() is None:
                child.stop()
        if self.network is not None:
            self.network.close()
        if self.receiver is not None:
            self.receiver.close()
