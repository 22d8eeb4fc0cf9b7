"""What runs in the demonstration, and where it keeps its things."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field, replace
from datetime import datetime
from pathlib import Path
from typing import Any

from machines.clock import CompressedClock, utc
from server.demo import changes, scenario
from server.demo.doors import Doors
from server.demo.mail_receiver import MailReceiver
from server.demo.processes import Child, Studio
from server.demo.receiver import Receiver
from server.demo.server_parts import Served
from server.demo.told import Away
from server.demo.venue_network import VenueNetwork


@dataclass
class Stage:
    """Everything that runs, and where it keeps its things.

    Attributes:
        folder: of the demonstration; each process has a folder and a log file below.
        clock: the one clock of all processes.
        studio: the way into the API.
        server: what answers it, and works by itself.
        receiver, mail: of webhooks and of letters, by which people are told.
        nodes: station id to process.
        begins: when the runs do.
        refusal: status and answer to the local time that comes twice.
        server_died_at, server_back_at: between these nobody answered.
        shares: of a core that were to be had, one for each look while the day passed.
        networks: of the stations that lose theirs, by station id.
        network_back_at: when that of the station came back whose run was ended meanwhile.
        away: the outages at machines that people are to be told of, as they came.
        foretold: what the API said, before the day, would hang at each station, by station id.
        doors: what it said a day before of what hangs when the doors open, by station id.
        fault_at: when something went wrong last inside of a fleet, by the time that really passes.
        moved, ended, followed: the opening and the runs that were changed, once they were.
    """

    folder: Path
    clock: CompressedClock
    studio: Studio
    server: Served
    receiver: Receiver
    mail: MailReceiver
    nodes: dict[str, Child] = field(default_factory=dict)
    begins: datetime = scenario.CLOCK_BEGINS
    refusal: tuple[int, Any] = (0, None)
    server_died_at: datetime = scenario.CLOCK_BEGINS
    server_back_at: datetime = scenario.CLOCK_BEGINS
    shares: list[float] = field(default_factory=list)
    networks: dict[str, VenueNetwork] = field(default_factory=dict)
    network_back_at: datetime = scenario.CLOCK_BEGINS
    away: list[Away] = field(default_factory=list)
    foretold: dict[str, list[Mapping[str, Any]]] = field(default_factory=dict)
    doors: dict[str, Doors] = field(default_factory=dict)
    fault_at: datetime | None = None
    moved: changes.Moved | None = None
    ended: changes.Ended | None = None
    followed: changes.Followed | None = None

    def runs_of(self, station: scenario.Station) -> list[str]:
        """Ids of a station's runs, in order."""
        is_followed = self.followed is not None and station.id == scenario.CHANGES.follows
        return [station.run, *([self.followed.run] if is_followed and self.followed else [])]

    def goes_away(self, station: str) -> None:
        """Nothing can be heard of a machine from now on."""
        self.away.append(Away(station, utc(self.clock.now())))

    def comes_back(self, station: str) -> None:
        """It can be heard again."""
        (place,) = (at for at, one in enumerate(self.away) if one.machine == station and one.until is None)
        self.away[place] = replace(self.away[place], until=utc(self.clock.now()))

    def say(self, words: str) -> None:
        """A line of the story, with the clock's time."""
        now = utc(self.clock.now())
        print(f"  {now:%a %d %b %H:%M} UTC  {words}", flush=True)

    def close(self) -> None:
        """End every process that is left, in order where it can be."""
        for child in self.nodes.values():
            child.stop()
        self.server.stop()
        for network in self.networks.values():
            network.close()
        self.receiver.close()
        self.mail.close()
