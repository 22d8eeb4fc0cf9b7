"""A lane of fault runs without processes: one server in this process, and a world for each scenario."""

from __future__ import annotations

import io
import logging
import os
import shutil
from collections.abc import Iterator
from contextlib import contextmanager, nullcontext
from dataclasses import dataclass, field, replace
from datetime import datetime
from pathlib import Path
from random import Random
from typing import Any
from unittest.mock import patch

from machines.clock import Clock, utc
from server.demo.processes import DemoError, Studio
from tests.faults.furniture import VENUES, furnish
from tests.faults.lane import (
    CLOCK_BEGINS,
    SECONDS_SHOWN_PER_SECOND,
    SETTINGS,
    Lane,
    copy_database,
    put_database_back,
)
from tests.faults.options import quiet_hours_of_the_venue
from tests.faults.scenario import Scenario
from tests.faults.stage import Stage
from tests.simulated.agent import AgentProgram
from tests.simulated.card import Card, syncing
from tests.simulated.chance import seeded
from tests.simulated.drawn import drawn_once
from tests.simulated.edge import ProgramLogs
from tests.simulated.hands import at_boards
from tests.simulated.more_acts import MORE_MAKING
from tests.simulated.network import Network
from tests.simulated.served import HOST, Pool, Served, serving, set_up
from tests.simulated.workers import keep_what_is_there
from tests.simulated.world import VirtualClock, World

# A server that is killed is so at one of so many commits of the next minutes.
MOST_PLACES = 12


@dataclass(frozen=True)
class AheadClock:
    """The server's clock, which may be ahead of the true one."""

    base: Clock
    ahead_s: float

    def now(self) -> float:
        """UTC as the server believes it."""
        return self.base.now() + self.ahead_s

    def elapsed(self) -> float:
        """Elapsed seconds."""
        return self.base.elapsed()

    def real_s(self, seconds: float) -> float:
        """The base's."""
        return self.base.real_s(seconds)


@dataclass
class SimulatedLane(Lane):
    """As the fault runs' lane, for one scenario.

    Attributes:
        world: of the scenario.
        templates: folder of the databases to begin with.
        dice: decide what the seed alone does not.
        cards: of boards and server, where what was not synced may be lost.
    """

    server: PlacedServer  # type: ignore[assignment]
    relay: Network
    cards: list[Card] = field(default_factory=list, kw_only=True)
    world: World = field(kw_only=True)
    templates: Path = field(kw_only=True)
    dice: Random = field(kw_only=True)
    home_folder: Path = field(kw_only=True)
    accounted_limit_s: float = 12.0  # eight hours of the world: a node waits for an hour at most

    @property
    def home(self) -> Path:
        """The server's folder."""
        return self.home_folder

    def beside(self) -> SimulatedLane:
        """The same with a network of its own."""
        network = Network(0, world=self.world, served=self.relay.served, complaints=self.relay.complaints)
        return replace(self, relay=network)

    def program(self, scenario: Scenario, home: Path, trouble: Path) -> Any:
        """The program of a board."""
        made = AgentProgram(
            self.world, self.relay, scenario, home, trouble, Random(self.dice.random()), home.with_suffix(".log")
        )
        if scenario.loses:
            made.card = Card(home, Random(self.dice.random()), made.fuse.burn)
            self.cards.append(made.card)
        return made

    def real_s(self) -> float:
        """As if time was compressed as in the fault runs."""
        return self.world.now / SECONDS_SHOWN_PER_SECOND

    def pass_time(self, real_s: float) -> None:
        """Let everything go on."""
        self.world.run(self.world.now + real_s * SECONDS_SHOWN_PER_SECOND)

    def command(self, *arguments: str) -> str:
        """What a command of the server says."""
        from django.core.management import CommandError, call_command

        if arguments[0] == "migrate":
            self.server.forget()
            put_database_back(self.home, self.templates / "empty.sqlite3")
            return ""
        said = io.StringIO()
        try:
            call_command(*arguments, stdout=said, stderr=said)
        except CommandError as error:
            raise DemoError(f"{' '.join(arguments)}: {error}") from error
        finally:
            if self.server.process is None:
                self.server.forget()
        return said.getvalue()

    def remake_key(self) -> None:
        """The studio's way in."""
        self.studio.key = _new_key(utc(self.clock.now()))
        self.server.forget()

    def move(self, ahead_s: float) -> None:
        """A clock that is ahead by so much; not started yet."""
        self.ahead_s = ahead_s
        self.server.clock = AheadClock(self.clock, ahead_s)

    def wait(self) -> None:
        """Until the server answers; it does at once."""


def lane_of(stage: Stage) -> SimulatedLane:
    """In which a simulated scenario is played."""
    assert isinstance(stage.lane, SimulatedLane)
    return stage.lane


@dataclass(frozen=True)
class Stand:
    """What the lanes of this process stand on, made once.

    Attributes:
        folder: of everything.
        key: of the studio, in the database that scenarios begin with.
    """

    folder: Path
    key: str

    @contextmanager
    def lane(self, scenario: Scenario) -> Iterator[SimulatedLane]:
        """A world of its own for a scenario."""
        world = World(CLOCK_BEGINS.timestamp())
        clock = VirtualClock(world)
        dice = Random(f"the world of {scenario.seed}")
        served = PlacedServer(
            self.folder / "server", world, clock, dice=Random(dice.random()), chance=seeded(scenario.seed)
        )
        put_database_back(served.home, self.folder / "furnished.sqlite3")
        relay = Network(0, world=world, served=served)
        studio = Studio(HOST, self.key, Pool(served))  # type: ignore[arg-type]
        with serving(served), at_boards(), drawn_once():
            lane = SimulatedLane(
                self.folder, clock, served, studio, relay, HOST,  # type: ignore[arg-type]
                world=world, templates=self.folder, dice=dice, home_folder=served.home, more_making=MORE_MAKING,
            )  # fmt: skip
            served.start()
            if scenario.quiet:
                for venue in VENUES:
                    studio.put(f"venues/{venue}/quiet-hours", quiet_hours_of_the_venue())
            with losing(lane, scenario) if scenario.loses else nullcontext():
                try:
                    yield lane
                finally:
                    served.died()


@dataclass
class PlacedServer(Served):
    """A server that is killed at a commit of the next minutes."""

    dice: Random = field(kw_only=True)
    card: Card | None = field(default=None, kw_only=True)

    def died(self) -> None:
        """The power of its computer is gone, where that loses anything."""
        super().died()
        if self.card is not None:
            self.card.lose()

    def kill(self, places: int = 0) -> None:
        """End it without warning."""
        super().kill(places or self.dice.randrange(MOST_PLACES))


@contextmanager
def losing(lane: SimulatedLane, scenario: Scenario) -> Iterator[None]:
    """The server's disk and the boards' cards lose a part of what was not synced where their power goes."""
    from scheduling.rendering import atomic_files, folder_files

    served = lane.server
    shutil.rmtree(served.home / "plates", ignore_errors=True)  # of other scenarios
    served.card = card = Card(served.home, Random(f"the disk in {scenario.seed}"), served.fuse.burn)
    lane.cards.append(card)
    right = atomic_files.name_part

    def name_part(part: Path, path: Path) -> None:
        right(part, path)
        card.promised(path)

    with syncing(lambda: lane.cards), patch.object(folder_files, "name_part", name_part):
        yield


def make_stand(folder: Path) -> Stand:
    """Set this process up as a server's, and furnish the database that scenarios begin with.

    The process stands in the folder from then on, and every path in it is relative: a branch that goes on elsewhere
    with copies of all files finds them there.
    """
    folder = enter(folder)
    set_up(folder / "server", SETTINGS)
    from django.core.management import call_command

    from server import wsgi  # noqa: F401 - which sets up the logs, too

    _quiet()
    world = World(CLOCK_BEGINS.timestamp())
    chance = seeded("the furniture")
    served = Served(folder / "server", world, VirtualClock(world), process=object(), chance=chance)
    with serving(served):
        call_command("migrate", verbosity=0)
        copy_database(served.home, folder / "empty.sqlite3")
        studio = Studio(HOST, _new_key(utc(world.now)), Pool(served))  # type: ignore[arg-type]
        furnish(studio)
        copy_database(served.home, folder / "furnished.sqlite3")
        served.died()
    keep_what_is_there()
    return Stand(folder, studio.key)


def _new_key(now: datetime) -> str:
    """A key of the studio's of which the log is told nothing, so that a seed gives the events that it always gave."""
    from server.accounts.keys import keep_key
    from server.accounts.principals import STUDIO

    return keep_key("faults", STUDIO, now, made_by="faults").token


def enter(folder: Path) -> Path:
    """Stand in a folder; how it is named from there."""
    os.chdir(folder)
    return Path()


def _quiet() -> None:
    """The server's log is not looked at; what boards say goes to their logs."""
    logging.getLogger().addHandler(logging.NullHandler())
    for name in ("server", "scheduling", "django", "django.request"):
        logger = logging.getLogger(name)
        logger.handlers, logger.propagate = [logging.NullHandler()], False
    machines = logging.getLogger("machines")
    machines.setLevel(logging.INFO)
    machines.handlers, machines.propagate = [ProgramLogs()], False
