"""A board's program in this process: the real exchange, print loop and journal, as tasks of the world.

Its machine does each order in an instant, so that a person's stop never comes in the middle of one; nor are two threads
truly at once.
"""

from __future__ import annotations

import contextlib
import io
import sqlite3
import traceback
from collections.abc import Callable
from contextlib import AbstractContextManager, closing, nullcontext, redirect_stderr, redirect_stdout
from dataclasses import dataclass, field
from pathlib import Path
from random import Random
from typing import Any, ClassVar, Protocol
from unittest.mock import patch

from machines.clock import Clock, SkewedClock
from machines.drivers import Driver
from machines.drivers.simulated.machine import SimulatedMachine
from machines.errors import InputError
from machines.model.calibration import Calibration
from machines.model.profile import Profile
from machines.node import __main__ as command_line
from machines.node import agent
from machines.node.assembly import Board, Parts, assemble
from machines.node.panel.panel import Panel
from machines.node.settings import Settings
from machines.node.store.identity import Credentials
from machines.node.store.journal import FILE_NAME, Journal, change_state, open_journal
from machines.node.sync.client import Client
from machines.node.waiting.inquiry import WorkInquiry
from machines.protocol.messages import RunWork
from tests.faults import boards
from tests.faults.board import BOOT, JammingMachine, SteppingClock, boot_began
from tests.faults.program import Done
from tests.faults.scenario import Scenario
from tests.simulated.card import Card, Wal
from tests.simulated.chance import seeded
from tests.simulated.edge import BurningJournal, BurningMachine, CardPlates
from tests.simulated.hands import Hands
from tests.simulated.network import Connections, Network
from tests.simulated.words_watched import WordsWatched
from tests.simulated.world import Crash, Fuse, Task, VirtualClock, VirtualNews, World, current_task

# How long a process has to end in order, or by itself, virtual seconds.
PATIENCE_S = 600.0
KILLED = -9
# How long the last reports may take, virtual seconds; a computer that is not busy has them told in a few.
FAREWELL_S = 60.0
# How often a machine beside a board is asked how it is, virtual seconds: so late is a jam seen.
ASKED_EVERY_S = 120.0


class BoardClock(Clock, Protocol):
    """A board's own clock, which stands on the true one."""

    @property
    def base(self) -> Clock:
        """What it is but for its steps."""


@dataclass
class OnceAnInstant:
    """A board's clock, asked once for each instant of the world; what steps it, moves the world on, too."""

    clock: BoardClock
    world: World
    _at: float = -1.0
    _elapsed: float = 0.0

    @property
    def base(self) -> Clock:
        """What it is but for the steps."""
        return self.clock.base

    def now(self) -> float:
        """The board's belief of UTC."""
        return self.clock.now()

    def elapsed(self) -> float:
        """Elapsed seconds of this boot."""
        if self.world.now != self._at:
            self._at, self._elapsed = self.world.now, self.clock.elapsed()
        return self._elapsed

    def real_s(self, seconds: float) -> float:
        """As the clock's."""
        return self.clock.real_s(seconds)


@dataclass
class Process:
    """As the operating system tells of one: its exit status, once it has ended."""

    returncode: int | None = None

    def poll(self) -> int | None:
        """The exit status; None while it runs."""
        return self.returncode

    def wait(self, timeout: float) -> int | None:
        """It has ended by now."""
        return self.returncode


@dataclass
class AgentProgram:
    """What `tests.faults.program.Program` is where there are processes.

    Attributes:
        world, network: in which it lives.
        scenario: what it is to be like.
        home, trouble: the board's folders.
        dice: decide where the power goes.
        log: what it says.
        process: its newest; None before the first.
        fuse: burns before and after every commit, order and cut.
        is_full: its files cannot grow.
        read_only: how many faults keep its card from being written now.
        newer: whether its journal is as a newer program left it.
        words: what its board does with persons' words.
        news: its tasks are woken by them.
        card: loses what was not synced where the power goes; None where nothing is lost.
    """

    # The power goes within so many virtual seconds, at one of so many places where it may.
    killed_within_s: ClassVar[float] = 900.0
    most_places: ClassVar[int] = 40

    world: World
    network: Network
    scenario: Scenario
    home: Path
    trouble: Path
    dice: Random
    log: Path
    process: Process | None = None
    fuse: Fuse = field(default_factory=Fuse)
    is_full: bool = False
    read_only: int = 0
    newer: bool = False
    words: WordsWatched = field(default_factory=WordsWatched)
    news: VirtualNews = field(init=False)
    card: Card | None = None
    _wal: Wal = field(default_factory=Wal)
    _tasks: list[Task] = field(default_factory=list)
    _papers: list[SimulatedMachine] = field(default_factory=list)
    _journal: Journal | None = None
    _stopping: bool = False
    _begun: bool = False

    def __post_init__(self) -> None:
        self.news = VirtualNews(self.world)
        self.chance = seeded(f"{self.home} of {self.scenario.seed}")
        self.hands = Hands(self)

    def start(self) -> None:
        """A new process."""
        if self.card is not None and not self._begun:
            self.card.settle()  # whatever a person put there before it first began
        self._begun = True
        self.process, self._stopping, self.fuse.left = Process(), False, None
        self.news = VirtualNews(self.world)
        self._spawn(self._main, self.world.next_start())

    def kill(self) -> None:
        """The power goes, at some place of the next minutes where it may."""
        if self.runs:
            self.fuse.left = self.dice.randrange(self.most_places)
            self.world.run(self.world.now + self.killed_within_s, lambda: not self.runs)
        if self.runs:
            self._cut(KILLED)

    def stop(self, patience_s: float = PATIENCE_S) -> None:
        """Ask it to end in order."""
        if self.runs:
            self._stopping = True
            self.news.tell()
            self.world.run(self.world.now + PATIENCE_S, lambda: not self.runs)
            assert not self.runs, "it ends in order"

    def reading(self) -> AbstractContextManager[sqlite3.Connection]:
        """Its journal, to be read: by the agent's own connection where one runs, which is in no transaction then."""
        if self._journal is not None:
            return nullcontext(self._journal.connection)
        return closing(sqlite3.connect(self.home / FILE_NAME))

    def do(self, *arguments: str) -> Done:
        """Give a command and wait for its end."""
        if arguments[0] == "run":
            self.start()
            self.world.run(self.world.now + PATIENCE_S, lambda: not self.runs)
            ended, self.process = self.process, None
            assert ended is not None and ended.returncode is not None, "it ends"
            return Done(ended.returncode, self.log.read_text())
        said = io.StringIO()
        client = patch.object(command_line, "Client", lambda server: Client(server, connect=self._connect))
        with client, redirect_stdout(io.StringIO()), redirect_stderr(said):
            status = command_line.main([*arguments, "--home", str(self.home)])
        self.news.tell()
        return Done(status, said.getvalue())

    def ask(self, *arguments: str) -> Process:
        """Give a command; what comes of it is the board's own."""
        if arguments[0] != "arm":
            return Process(self.do(*arguments).returncode)
        if self.runs:  # the command leaves word, and waits
            with contextlib.suppress(InputError, sqlite3.Error):
                journal = open_journal(self.home)
                with journal.transaction() as db:
                    change_state(db, arming_asked=1)
                journal.close()
            self.news.tell()
        return Process(0)

    def limit_files(self, *, full: bool) -> None:
        """The files of the agent cannot grow, or can again."""
        self.is_full = full

    @property
    def runs(self) -> bool:
        """Whether the process is there."""
        return self.process is not None and self.process.returncode is None

    def committed(self, db: sqlite3.Connection) -> None:
        """A commit of the journal is over."""
        if self.card is not None:
            self._wal.committed(db, self.home / (FILE_NAME + "-wal"))

    def kept(self, file: Path) -> None:
        """A file was said to be on the card."""
        if self.card is not None:
            self.card.promised(file)

    def let_go(self, machine: SimulatedMachine) -> None:
        """A machine was closed."""
        self._papers.remove(machine)

    def begin(self, body: Callable[[], None]) -> Task | None:
        """A thread of the agent begins, if that runs."""
        return self._spawn(body) if self.runs else None

    def command_ended(self, error: BaseException | None) -> None:
        """What was typed came to its end; nothing but a status is one."""
        if error is not None:
            self._say("".join(traceback.format_exception(error)))

    @property
    def boot(self) -> str:
        """Names the count of elapsed seconds."""
        return (self.trouble / BOOT).read_text().strip()

    def _connect(self, deadline: object, read_s: float) -> Any:
        return Connections(self.network)

    def _spawn(self, body: Callable[[], None], begins: float | None = None) -> Task:
        task = Task(self.world, body, lambda error: self._task_ended(error), begins)
        task.program = self
        self._tasks.append(task)
        return task

    def _task_ended(self, error: BaseException | None) -> None:
        if isinstance(error, Crash):
            self._cut(KILLED)
        elif error is not None:
            self._say("".join(traceback.format_exception(error)))
            self._cut(1)

    def _say(self, text: str) -> None:
        with self.log.open("a") as file:
            file.write(text)

    def _main(self) -> None:
        status = command_line.guarded(self._run, self._say)
        tasks, self._tasks = self._tasks, []
        for task in tasks:
            if task is not current_task():
                task.kill()
        self._let_go(status)

    def _run(self) -> int:
        self._journal, self._wal = BurningJournal(self._opened(), self), Wal()
        self.committed(self._journal.connection)
        journal = self._journal
        clock = self.clock()
        parts = assemble(
            Board(
                home=self.home,
                journal=journal,
                clock=clock,
                boot=self.boot,
                plates=CardPlates(self.home / "plates", self),
                open_driver=self._open,
                connect=self._client,
                inquiry=WorkInquiry(clock.elapsed, clock.elapsed, self.news.tell),
                chance=self.chance,
            ),
            Settings(
                horizon=self.scenario.horizon,
                resume_unattended=not self.scenario.attended,
                battery_clock_ppm=self.scenario.battery_ppm,
            ),
        )
        self.hands.panel = Panel(journal, clock, parts.time.estimate, self.chance, self.boot)
        self._work(parts, clock)
        return 0

    def _opened(self) -> Journal:
        """The journal; on a card that can be read only, nothing can be made beside it, either."""
        if not self.read_only:
            return open_journal(self.home, news=self.news)
        beside = self.home / (FILE_NAME + "-wal")
        kept = beside.read_bytes() if beside.exists() else None
        beside.unlink(missing_ok=True)
        beside.mkdir()
        try:
            return open_journal(self.home, news=self.news)
        finally:
            beside.rmdir()
            if kept is not None:
                beside.write_bytes(kept)

    def _work(self, parts: Parts, clock: Clock) -> None:
        still: list[bool] = []
        network = self._spawn(lambda: parts.exchange.run(lambda: bool(still)))
        journal = self._journal
        assert journal is not None
        self._spawn(lambda: agent.watch(journal, parts.printer, parts.time, lambda text: None, lambda: bool(still)))
        agent.print_until(parts.printer, clock, self.news, lambda: self._stopping or network.is_over)
        still.append(True)
        self.news.tell()
        ends = self.world.now + FAREWELL_S
        while not network.is_over and self.world.now < ends:
            self.world.wait(0.1)

    def _client(self, credentials: Credentials) -> Client:
        return Client(credentials.server, credentials.token, connect=self._connect)

    def clock(self) -> BoardClock:
        """The board's own."""
        offset_s, drift_ppm = map(float, self.scenario.skew.split(":"))
        skewed = SkewedClock(VirtualClock(self.world), offset_s, drift_ppm)
        stepping = SteppingClock(skewed, self.trouble / "clock-step", self.trouble / "slews", boot_began(self.trouble))
        return OnceAnInstant(stepping, self.world)

    def _open(self, profile: Profile, run: RunWork, calibration: Calibration) -> Driver:
        clock = VirtualClock(self.world)
        machine = SimulatedMachine(
            self.home / "paper",
            profile,
            run.nozzle_seed,
            clock,
            calibration=calibration,
            draws=False,
            asked_every_s=ASKED_EVERY_S,
        )
        self._papers.append(machine)
        return JammingMachine(BurningMachine(machine, self), self.trouble / "jam")

    def _cut(self, status: int) -> None:
        """It is gone: what was under way is lost, the files stay."""
        self.hands.gone()
        tasks, self._tasks = self._tasks, []
        for task in tasks:
            task.kill()
        self._let_go(status)

    def _let_go(self, status: int) -> None:
        if self._journal is not None:
            files = [self.home / (FILE_NAME + ending) for ending in ("", "-wal")]
            left = {file: file.read_bytes() for file in files if status == KILLED and file.exists()}
            self._journal.close()  # which tidies up, as nobody does when the power goes
            for file, content in left.items():
                lost = self.card is not None and file.name.endswith("-wal")
                file.write_bytes(self._wal.left(content, self.dice) if lost else content)
            if status == KILLED and self.card is not None:
                self.card.lose()
        for machine in self._papers:
            machine.paper.close()
        self._papers, self._journal, self.fuse.left, self.hands.panel = [], None, None, None
        assert self.process is not None
        self.process.returncode = status


def agent_of(board: boards.Board) -> AgentProgram:
    """The program of a simulated board."""
    program: object = board.child
    assert isinstance(program, AgentProgram)
    return program
