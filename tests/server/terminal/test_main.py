"""The command line of the server says what to do next, and shows no traceback."""

from __future__ import annotations

import shlex
from pathlib import Path

import pytest
from django.core.management import get_commands, load_command_class

import server
from tests.server.processes import run


@pytest.mark.parametrize("order", [[], ["--help"], ["help"]])
def test_the_products_own_commands_are_shown_a_line_each(order: list[str], tmp_path: Path) -> None:
    done = run(order, {"DAYROLL_HOME": str(tmp_path)})
    said = [line.split()[0] for line in done.stdout.splitlines() if line.startswith("  ")]
    files = Path(server.__file__).parent.glob("*/management/commands/[a-z]*.py")
    assert (done.returncode, said) == (0, sorted(file.stem.replace("_", "-") for file in files))


def test_each_says_an_example_that_can_be_typed() -> None:
    ours = [(name, app) for name, app in get_commands().items() if isinstance(app, str) and app.startswith("server.")]
    assert len(ours) >= 20
    for name, app in ours:
        command = load_command_class(app, name)
        words = shlex.split(command.example)
        assert words[0] == name.replace("_", "-")
        parser = command.create_parser("dayroll", name)
        parser.parse_args(words[1:])
        assert command.example in " ".join(parser.format_help().split()) and "--settings" not in parser.format_help()


def test_the_frameworks_own_are_behind_one(tmp_path: Path) -> None:
    home = {"DAYROLL_HOME": str(tmp_path)}
    assert "makemigrations" in run(["django"], home).stdout
    assert run(["django", "makemigrations", "--check", "--dry-run"], home).stdout == "No changes detected\n"


@pytest.mark.parametrize("order", [["show", "venue", "shed"], ["list", "runs"], ["do", "run", "a", "end"]])
def test_what_cannot_be_done_is_one_line_and_no_traceback(order: list[str], tmp_path: Path) -> None:
    home = {"DAYROLL_HOME": str(tmp_path)}
    never_set_up = run(order, home)
    assert (never_set_up.returncode, "Traceback" in never_set_up.stderr) == (1, False)
    assert never_set_up.stderr.endswith("If it was never set up: dayroll migrate\n")
    if order[0] != "list":
        assert run(["migrate", "--verbosity", "0"], home).returncode == 0
        done = run(order, home)
        assert (done.returncode, done.stderr.count("\n")) == (1, 1)
        assert "is not among the" in done.stderr


def test_a_database_that_was_never_set_up_is_named(tmp_path: Path) -> None:
    order = ["sky", "--venue", "shed", "--from", "2026-10-24", "--to", "2026-10-25"]
    done = run(order, {"DAYROLL_HOME": str(tmp_path)})
    assert done.returncode == 1
    assert "If it was never set up: dayroll migrate" in done.stderr
    assert "Traceback" not in done.stderr
