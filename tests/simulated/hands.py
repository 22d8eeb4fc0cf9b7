"""A person at a board: commands typed beside the agent, and the panel's buttons, each as a task of the world.

What they wait for passes in virtual time. Of the panel what is done is played, not its pages, its PIN, nor its HTTP.
"""

from __future__ import annotations

import io
import sqlite3
from collections.abc import Iterator, Mapping, Sequence
from contextlib import ExitStack, contextmanager, redirect_stderr, redirect_stdout
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any
from unittest.mock import patch

from greenlet import getcurrent

from machines.clock import Clock
from machines.errors import InputError
from machines.node import __main__ as command_line
from machines.node import board_commands
from machines.node.journal import Journal, open_journal
from machines.node.panel.panel import Panel
from tests.simulated.world import Task


@dataclass
class Hands:
    """What a person does at a board.

    Attributes:
        program: the board's.
        panel: of its agent; None while that does not run.
        tasks: commands under way.
        refused: what was refused, in words.
    """

    program: Any
    panel: Panel | None = None
    tasks: list[Task] = field(default_factory=list)
    refused: list[str] = field(default_factory=list)

    def type(self, arguments: Sequence[str]) -> None:
        """Give a command, and wait for its end beside all that goes on."""
        self.tasks = [task for task in self.tasks if not task.is_over]
        task = Task(self.program.world, lambda: self._type(arguments), self.program.command_ended)
        task.program, task.types = self.program, True  # type: ignore[attr-defined]
        self.tasks.append(task)

    def _type(self, arguments: Sequence[str]) -> None:
        status = command_line.main([*arguments, "--home", str(self.program.home)])
        if status:
            self.refused.append(f"{arguments[0]} {status}")
        self.program.news.tell()

    def press(self, action: str, form: Mapping[str, str]) -> None:
        """Press a button of the panel, all being clear; it is the agent's own thread that does it."""
        self.program.begin(lambda: self._press(action, {"looked": "yes", **form}))

    def _press(self, action: str, form: Mapping[str, str]) -> None:
        if self.panel is None:
            return
        try:
            self.panel.act(action, form)
        except (InputError, sqlite3.Error, OSError) as error:  # which the page says
            self.refused.append(f"{action} {error}")

    def gone(self) -> None:
        """The power is gone, and all that was typed with it."""
        for task in self.tasks:
            task.kill()
        self.tasks = []


def _here() -> Any:
    return getattr(getcurrent(), "task", None)


def _open_journal(home: Path, *, create: bool = False) -> Journal:
    """As a command opens it; what it writes the agent hears, and it hears the agent."""
    task = _here()
    return open_journal(home, create=create, news=task.program.news if getattr(task, "types", False) else None)


def _agent_runs(home: Path) -> bool:
    return getattr(_here(), "types", False) and _here().program.runs


def _boot_name(clock: Clock) -> str:
    return str(_here().program.boot)


@contextmanager
def at_boards() -> Iterator[None]:
    """Whatever is typed at a board is about that board, and waits in virtual time; what it says is not looked at."""
    with ExitStack() as stack:
        for commands in (command_line, board_commands):
            stack.enter_context(patch.object(commands, "open_journal", _open_journal))
            stack.enter_context(patch.object(commands, "agent_runs", _agent_runs))
            stack.enter_context(patch.object(commands, "board_clock", lambda environ: _here().program.clock()))
        stack.enter_context(patch.object(board_commands, "boot_name", _boot_name))
        stack.enter_context(redirect_stdout(io.StringIO()))
        stack.enter_context(redirect_stderr(io.StringIO()))
        yield
