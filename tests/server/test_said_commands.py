"""Every command that the texts tell people to give can be given: it is read by the program's own reader of commands.

What stands alone to be copied must be whole. What is named within a sentence may leave out what must be given, but
names no command and no option that there is not. A word in capitals, or one that the shell fills in, stands for
something.
"""

from __future__ import annotations

import argparse
import re
import shlex
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest
from django.core.management import CommandError, get_commands, load_command_class

from machines.node.__main__ import parser_for
from server.__main__ import with_underscores

ROOT = Path(__file__).parents[2]
TEXTS = (
    "README.md", "DEVELOPERS.md", "SECURITY.md", "docker/WATCHING.md", "docker/compose.yaml",
    "docker/dayroll-server.service", "docker/dayroll-node.service",
)  # fmt: skip
FENCED = re.compile(r"```sh\n(.*?)```", re.DOTALL)
WITHIN = re.compile(r"`((?:dayroll|dayroll-node)(?: [^`]+))`")
COMMAND = re.compile(r"(?:^|[\s/(])(dayroll|dayroll-node) (?!-- )(.+)$")  # not a user of the name
PLACEHOLDER = re.compile(r"\$\w+|[A-Z][A-Z-]*")
MISSING = re.compile(r"the following arguments are required|one of the arguments .* is required")


class Refused(Exception):
    """A command that cannot be given so."""


def lines_to_copy(name: str) -> Iterator[str]:
    """What stands in a text alone, to be copied; lines that go on put together."""
    text = (ROOT / name).read_text()
    if name.endswith(".md"):
        text = "\n".join(FENCED.findall(text))
    else:  # in comments, further in than sentences are
        text = "\n".join(found[1] for found in re.finditer(r"^ *#   +(.*)$", text, re.MULTILINE))
    yield from re.sub(r"\\\n\s*", " ", text).splitlines()


def words(line: str) -> list[str]:
    """The program's name, and what it is given: up to what the shell does next."""
    lexer = shlex.shlex(line, posix=True, punctuation_chars="&|;<>()")
    lexer.whitespace_split = True
    found: list[str] = []
    for word in lexer:
        if set(word) <= set("&|;<>()"):
            break
        found.append(word)
    return found


def to_copy() -> list[tuple[str, str]]:
    found = ((name, COMMAND.search(line)) for name in TEXTS for line in lines_to_copy(name))
    return sorted({(name, f"{one[1]} {one[2]}") for name, one in found if one})


def named() -> list[tuple[str, str]]:
    return sorted(
        {(name, one) for name in TEXTS for one in WITHIN.findall((ROOT / name).read_text()) if "..." not in one}
    )


def read(command: str, whole: bool) -> None:
    """
    Raises:
        Refused: there is no such command, or it is given otherwise.
    """
    program, *given = words(command)
    asks = "--help" in given
    given = [word for word in given if word != "--help"]
    try:
        if program == "dayroll-node":
            _node_reader(given)
        elif given:
            _server_reader(given)
    except Refused as refused:
        said = str(refused)
        leaves_out = MISSING.search(said) and (asks or not whole)
        stands_for = [word for word in re.findall(r"'([^']*)'", said)[:1] if PLACEHOLDER.fullmatch(word)]
        if not leaves_out and not stands_for:
            raise Refused(f"{command}: {said}") from None


def _server_reader(given: list[str]) -> None:
    name, *rest = with_underscores(given)
    if name == "django" and rest == []:
        return
    app = get_commands().get(name)
    if app is None:
        raise Refused(f"there is no command {name}")
    command: Any = load_command_class(app, name) if isinstance(app, str) else app
    try:
        command.create_parser("dayroll", name).parse_args(rest)
    except CommandError as error:
        raise Refused(str(error)) from None


def _node_reader(given: list[str]) -> None:
    parser = parser_for({})
    _have_it_say(parser)
    parser.parse_args(given)


def _have_it_say(parser: argparse.ArgumentParser) -> None:
    """What is wrong, in place of ending the process; so too for each command of it."""

    def say(message: str) -> None:
        raise Refused(message)

    parser.error = say
    for action in parser._actions:
        if isinstance(action, argparse._SubParsersAction):
            for one in action.choices.values():
                _have_it_say(one)


def test_they_are_found() -> None:
    """So that the tests below cannot pass for want of any."""
    copied, told = to_copy(), named()
    assert {name for name, _ in copied} == set(TEXTS) - {"DEVELOPERS.md", "SECURITY.md"}
    assert len(copied) > 15 and len(told) > 40
    assert ("docker/compose.yaml", "dayroll log blot 4711") in copied


@pytest.mark.parametrize(("text", "command"), to_copy())
def test_what_is_to_be_copied_is_whole(text: str, command: str) -> None:
    read(command, whole=True)


@pytest.mark.parametrize(("text", "command"), named())
def test_what_is_named_is_there(text: str, command: str) -> None:
    read(command, whole=False)


@pytest.mark.parametrize(
    "wrong",
    [
        "dayroll seal",
        "dayroll log unseal",
        "dayroll log head --paper",
        "dayroll key make kim --role king",
        "dayroll key make kim",
        "dayroll-node go",
        "dayroll-node run --machine loom",
        "dayroll-node enrol",
    ],
)
def test_what_cannot_be_given_is_found(wrong: str) -> None:
    with pytest.raises(Refused):
        read(wrong, whole=True)
