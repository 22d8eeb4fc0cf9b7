"""A scenario under way: its processes, and what happens in it when."""

from __future__ import annotations

import subprocess
from collections.abc import Callable
from dataclasses import dataclass, field
from datetime import datetime
from pathlib import Path

from tests.faults.boards import Board
from tests.faults.evidence import Common
from tests.faults.lane import Lane
from tests.faults.scenario import Scenario


@dataclass
class Stage:
    """A scenario under way.

    Attributes:
        machine: id of the machine and of its run.
        begins: when the run does.
        boards: the newest at the end; the machine's own, but for a clone.
        clones: boards that are copies, each beside a machine of its own.
        common: what the paper of the newest clone and of its original have in common.
        server_off: how many faults keep the server away now.
        problems: what went wrong that must not.
        errands: commands of people that have not ended.
    """

    lane: Lane
    scenario: Scenario
    folder: Path
    machine: str
    begins: datetime
    boards: list[Board] = field(default_factory=list)
    clones: list[Board] = field(default_factory=list)
    common: Common | None = None
    server_off: int = 0
    problems: list[str] = field(default_factory=list)
    errands: list[subprocess.Popen[bytes]] = field(default_factory=list)

    @property
    def board(self) -> Board:
        """The machine's own, as of now."""
        return self.boards[-1]

    @property
    def survivor(self) -> Board:
        """The board whose word the server takes: of a board and its copy, the one that was the first to report."""
        return self.clones[-1] if self.clones and self.board.fenced() else self.board

    @property
    def reachable(self) -> bool:
        """Whether a person at the board could enrol it now."""
        return not self.server_off and not any(self.lane.relay.troubles[kind] for kind in ("network-gone", "portal"))

    def hours(self) -> float:
        """Since the run began, as shown by the clock."""
        return (self.lane.clock.now() - self.begins.timestamp()) / 3600.0


@dataclass(order=True)
class Act:
    """Something that happens at an hour of the run.

    Attributes:
        needs_server: a person does it, and waits until the server can be reached.
    """

    at_h: float
    do: Callable[[], None] = field(compare=False)
    needs_server: bool = field(default=False, compare=False)
