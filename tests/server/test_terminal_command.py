"""What a command at the server's terminal says of what it cannot do."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import pytest
from django.core.management.base import CommandError

from machines.errors import InputError
from server.terminal_command import TerminalCommand


class Fails(TerminalCommand):
    requires_system_checks = ()

    def __init__(self, fail: Any) -> None:
        super().__init__()
        self._fail = fail

    def handle(self, *args: Any, **options: Any) -> None:
        self._fail()


def said(fail: Any) -> str:
    with pytest.raises(CommandError) as failed:
        Fails(fail).execute(no_color=True, force_color=False, skip_checks=True)
    return str(failed.value)


def test_a_file_that_is_there_or_is_not_is_named_without_a_number(tmp_path: Path) -> None:
    file = tmp_path / "export"
    assert said(lambda: file.open()) == f"{file}: No such file or directory"
    file.touch()
    assert said(lambda: file.open("x")) == f"{file}: File exists"


def test_trouble_without_a_file_is_said_as_it_is() -> None:
    def fail() -> None:
        raise OSError("the pipe broke")

    assert said(fail) == "the pipe broke"


def test_bad_input_is_said_with_its_field() -> None:
    def fail() -> None:
        raise InputError("head.dots", "3 are too few", "give 8")

    assert said(fail) == "head.dots: 3 are too few; give 8"
