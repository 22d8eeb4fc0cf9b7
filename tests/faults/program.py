"""The program of a board, `dayroll-node`, as a process of its own: how it is started, ended, and asked by a person."""

from __future__ import annotations

import resource
import sqlite3
import subprocess
from contextlib import AbstractContextManager, closing
from dataclasses import dataclass
from pathlib import Path

from machines.clock import SKEW_VARIABLE, CompressedClock
from machines.node.store.journal import FILE_NAME
from server.demo.processes import PATIENCE_S, ROOT, Child, environment, node_program
from tests.faults.board import TROUBLE_VARIABLE
from tests.faults.scenario import Scenario

CARD_LIMIT_BYTES = 64 * 1024
UNLIMITED = resource.RLIM_INFINITY
# "Nothing needs a hand" is a promise to venues that let their machine print on by itself.
UNATTENDED = ["--resume-unattended"]


@dataclass(frozen=True)
class Done:
    """A command that came to its end: its exit status, and what it said of what went wrong."""

    returncode: int
    stderr: str


@dataclass
class Program(Child):
    """The agent's process, and the commands that a person gives beside it.

    Attributes:
        home: the board's folder.
        read_only: how many faults keep its card from being written now; none here, as only simulated ones play that.
        newer: whether its journal is as a newer program left it; never here.
    """

    home: Path = Path()
    read_only: int = 0
    newer: bool = False

    def arguments(self, *arguments: str) -> list[str]:
        """A command of this board."""
        python, *_ = node_program()
        return [python, "-m", "tests.faults.board", *arguments, "--home", str(self.home)]

    def reading(self) -> AbstractContextManager[sqlite3.Connection]:
        """Its journal, to be read."""
        return closing(sqlite3.connect(self.home / FILE_NAME))

    def do(self, *arguments: str) -> Done:
        """Give a command and wait for its end."""
        done = subprocess.run(
            self.arguments(*arguments),
            env=self.environment,
            capture_output=True,
            text=True,
            timeout=2 * PATIENCE_S,
            check=False,
        )
        return Done(done.returncode, done.stderr)

    def ask(self, *arguments: str) -> subprocess.Popen[bytes]:
        """Give a command; what comes of it is the board's own."""
        return subprocess.Popen(
            self.arguments(*arguments), env=self.environment, stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL
        )

    def limit_files(self, *, full: bool) -> None:
        """The files of an agent that runs cannot grow, or can again."""
        if self.process is not None and self.process.poll() is None:
            soft = CARD_LIMIT_BYTES if full else UNLIMITED
            resource.prlimit(self.process.pid, resource.RLIMIT_FSIZE, (soft, UNLIMITED))


def running(scenario: Scenario) -> list[str]:
    """The command that prints, as a scenario has it."""
    return ["run", "--horizon", scenario.horizon, *([] if scenario.attended else UNATTENDED)]


def program(clock: CompressedClock, scenario: Scenario, home: Path, trouble: Path) -> Program:
    """The program of a board with a home and a trouble folder, not started yet."""
    more = {SKEW_VARIABLE: scenario.skew, TROUBLE_VARIABLE: str(trouble), "PYTHONPATH": str(ROOT)}
    made = Program(home.name, [], environment(home, clock, **more), home.with_suffix(".log"), home=home)
    made.command = made.arguments(*running(scenario))
    return made
