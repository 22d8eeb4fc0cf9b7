"""What the program prints can be typed as it stands, whether the shell knows its folder or not."""

from __future__ import annotations

import sys
from pathlib import Path

import pytest

from server.terminal.own_name import own_name


@pytest.fixture
def programs(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    """A folder with a Python and a dayroll, from beside which somebody started it."""
    folder = tmp_path / ".venv" / "bin"
    folder.mkdir(parents=True)
    for name in ("python", "dayroll"):
        (folder / name).touch(mode=0o755)
    monkeypatch.setattr(sys, "executable", str(folder / "python"))
    monkeypatch.setenv("PATH", "/nowhere")
    monkeypatch.chdir(tmp_path)
    return folder


def test_it_is_a_path_where_the_shell_does_not_find_it(programs: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    assert own_name() == ".venv/bin/dayroll"
    (programs.parent.parent / "else").mkdir()
    monkeypatch.chdir(programs.parent.parent / "else")
    assert own_name() == str(programs / "dayroll")


def test_it_is_its_name_where_the_shell_finds_the_same(programs: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv("PATH", str(programs))
    assert own_name() == "dayroll"


def test_another_of_its_name_is_not_it(programs: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    (tmp_path / "dayroll").touch(mode=0o755)
    monkeypatch.setenv("PATH", str(tmp_path))
    assert own_name() == ".venv/bin/dayroll"


def test_what_does_not_lie_beside_it_is_called_by_its_name(programs: Path) -> None:
    assert own_name("dayroll-node") == "dayroll-node"
