"""A scenario under way: its processes, and what happens in it when."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, field
from datetime import datetime
from pathlib import Path

from machines.protocol.journal_entries import GapSettled
from tests.faults.boards import Board
from tests.faults.copies import Common
from tests.faults.kinds import FORGETS
from tests.faults.lane import Lane
from tests.faults.relay import BARRED
from tests.faults.scenario import Scenario


@dataclass
class Stage:
    """A scenario under way.

    Attributes:
        machine: id of the machine.
        runs: ids of its runs, in order.
        followers: ids of runs that people had follow one of them.
        begins: when the first does.
        later_h: by how much later than was meant the last of them begins, hours.
        pending: what is still to happen.
        words: ids of the words that the server took.
        forgot: the server was put back, and it was not seen since whether it knows the board.
        settled: what journals that were lost since, or lost their newest, had settled.
        lost_newest: the newest of the board's journal is gone.
        begun: when agents began, by what was left of that journal.
        ahead: from when on, POSIX seconds, the server's clock was ahead by how much, seconds.
        boards: the newest at the end; the machine's own, but for a clone.
        taken_over: epochs that began as another board took the machine over.
        clones: boards that are copies, each beside a machine of its own.
        common: what the paper of the newest clone and of its original have in common.
        server_off: how many faults keep the server away now.
        problems: what went wrong that must not.
        neighbours: machines on the same server, each with a network of its own.
        beside: the scenario that decides what becomes of the server, where this is a neighbour's.
    """

    lane: Lane
    scenario: Scenario
    folder: Path
    machine: str
    begins: datetime
    runs: list[str] = field(default_factory=list)
    followers: list[str] = field(default_factory=list)
    later_h: float = 0.0
    pending: list[Act] = field(default_factory=list)
    words: list[str] = field(default_factory=list)
    forgot: bool = False
    settled: list[GapSettled] = field(default_factory=list)
    lost_newest: bool = False
    begun: set[str] = field(default_factory=set)
    ahead: list[tuple[float, float]] = field(default_factory=list)
    boards: list[Board] = field(default_factory=list)
    taken_over: list[int] = field(default_factory=list)
    clones: list[Board] = field(default_factory=list)
    common: Common | None = None
    server_off: int = 0
    problems: list[str] = field(default_factory=list)
    neighbours: list[Stage] = field(default_factory=list)
    beside: Scenario | None = None

    @property
    def together(self) -> list[Stage]:
        """This and its neighbours."""
        return [self, *self.neighbours]

    @property
    def all_runs(self) -> list[str]:
        """Of all of them."""
        return [*self.runs, *self.followers]

    @property
    def kinds(self) -> set[str]:
        """Kinds of the faults that it meets."""
        return self.scenario.kinds | (set() if self.beside is None else self.beside.kinds & set(FORGETS))

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
        return not self.server_off and not any(self.lane.relay.troubles[kind] > 0 for kind in BARRED)

    def hours(self) -> float:
        """Since the first run began, as shown by the true clock."""
        return (self.lane.clock.now() - self.begins.timestamp()) / 3600.0

    def set_server_ahead(self, ahead_s: float) -> None:
        """The server, which is off, begins elsewhere next time, with a clock that is ahead by so much."""
        self.lane.move(ahead_s)
        for one in self.together:
            one.ahead.append((self.lane.clock.now(), ahead_s))

    def forget(self) -> None:
        """The server has forgotten what it was told for a while."""
        for one in self.together:
            one.forgot = True


@dataclass(order=True)
class Act:
    """Something that happens at an hour of the run.

    Attributes:
        needs_server: a person does it, and waits until the server can be reached.
    """

    at_h: float
    do: Callable[[], None] = field(compare=False)
    needs_server: bool = field(default=False, compare=False)
