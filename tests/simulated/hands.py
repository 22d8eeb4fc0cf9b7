"""A person at a board: commands typed beside the agent, and the panel's buttons, each as a task of the world.

What they wait for passes in virtual time. Of the panel what is done is played, not its pages, its PIN, nor its HTTP.
"""

from __future__ import annotations

import io
from argparse import ArgumentParser
from collections.abc import Callable, Iterator, Mapping, Sequence
from contextlib import ExitStack, contextmanager, redirect_stderr, redirect_stdout
from dataclasses import dataclass, field
from functools import cache
from pathlib import Path
from typing import Any
from unittest.mock import patch

from machines.clock import Clock
from machines.node import __main__ as command_line
from machines.node import cli_manual
from machines.node.__main__ import parser_for
from machines.node.panel.panel import Panel
from machines.node.store.identity import Pin
from machines.node.store.journal import Journal, open_journal
from tests.simulated.world import Task, current_task


@dataclass(frozen=True)
class Refusal:
    """Something that a person did and that did not come to its end.

    Attributes:
        action: what it was.
        status: with which a command ended, or would have.
        said: to the person.
    """

    action: str
    status: int
    said: str

    def __str__(self) -> str:
        return f"{self.action} ended with {self.status}: {self.said.strip()[-200:]!r}"


@dataclass
class Hands:
    """What a person does at a board.

    Attributes:
        program: the board's.
        panel: of its agent; None while that does not run.
        tasks: commands and buttons under way.
        refused: what did not come to its end.
    """

    program: Any
    panel: Panel | None = None
    tasks: list[Task] = field(default_factory=list)
    refused: list[Refusal] = field(default_factory=list)

    def type(self, arguments: Sequence[str]) -> None:
        """Give a command, and wait for its end beside all that goes on."""
        self._under_way(Typed(self.program, lambda: self._type(arguments)))

    def _type(self, arguments: Sequence[str]) -> None:
        task = current_task()
        assert isinstance(task, Typed), "it is given at a board"
        status = command_line.main([*arguments, "--home", str(self.program.home)])
        if status:
            self.refused.append(Refusal(arguments[0], status, "".join(task.said)))
        self.program.news.tell()

    def press(self, action: str, form: Mapping[str, str]) -> None:
        """Press a button of the panel, all being clear; it is the agent's own thread that does it."""
        task = self.program.begin(lambda: self._press(action, {"looked": "yes", **form}))
        if task is not None:
            self._under_way(task)

    def _press(self, action: str, form: Mapping[str, str]) -> None:
        """What is wrong the page says, in the words of a command."""
        panel, said = self.panel, list[str]()
        if panel is None:
            return

        def act() -> int:
            panel.act(action, form)
            return 0

        if status := command_line.guarded(act, said.append):
            self.refused.append(Refusal(action, status, "".join(said)))

    @property
    def is_busy(self) -> bool:
        """Whether something is under way."""
        return any(not task.is_over for task in self.tasks)

    def _under_way(self, task: Task) -> None:
        self.tasks = [*(one for one in self.tasks if not one.is_over), task]

    def gone(self) -> None:
        """The power is gone, and all that was typed with it."""
        for task in self.tasks:
            task.kill()
        self.tasks = []


class Typed(Task):
    """A command under way.

    Attributes:
        program: of the board at which it is given.
        said: to whoever gave it.
    """

    def __init__(self, program: Any, body: Callable[[], None]) -> None:
        super().__init__(program.world, body, program.command_ended)
        self.program, self.said = program, list[str]()


class ToWhoeverTypes(io.TextIOBase):
    """What a command says is said to whoever gave it; to nobody, where there is nobody."""

    def write(self, text: str) -> int:
        """Say it."""
        task = current_task()
        if isinstance(task, Typed):
            task.said.append(text)
        return len(text)


def _open_journal(home: Path, *, create: bool = False) -> Journal:
    """As a command opens it; what it writes the agent hears, and it hears the agent."""
    task = current_task()
    return open_journal(home, create=create, news=task.program.news if isinstance(task, Typed) else None)


def _agent_runs(home: Path) -> bool:
    task = current_task()
    return isinstance(task, Typed) and bool(task.program.runs)


def _program_here() -> Any:
    task = current_task()
    assert task is not None, "it is given at a board"
    return task.program


@cache
def _parser_here() -> ArgumentParser:
    """Of commands, made once in a process: none of them takes what it may be given from its surroundings here."""
    return parser_for({})


def _boot_name(clock: Clock) -> str:
    return str(_program_here().boot)


@contextmanager
def at_boards() -> Iterator[None]:
    """Whatever is typed at a board is about that board, and waits in virtual time. Nobody guesses a PIN here: it need
    not be slow to try."""
    with ExitStack() as stack:
        stack.enter_context(patch.object(command_line, "hashed", lambda pin, chance: Pin(salt="", hash=pin)))
        stack.enter_context(patch.object(command_line, "parser_for", lambda environ: _parser_here()))
        for commands in (command_line, cli_manual):
            stack.enter_context(patch.object(commands, "open_journal", _open_journal))
            stack.enter_context(patch.object(commands, "agent_runs", _agent_runs))
            stack.enter_context(patch.object(commands, "board_clock", lambda environ: _program_here().clock()))
        stack.enter_context(patch.object(cli_manual, "boot_name", _boot_name))
        stack.enter_context(redirect_stdout(ToWhoeverTypes()))
        stack.enter_context(redirect_stderr(ToWhoeverTypes()))
        yield
