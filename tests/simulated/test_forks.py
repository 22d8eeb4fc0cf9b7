"""Branches of a played prefix, a few of them; `make branches` plays all."""

from __future__ import annotations

import errno
import json
import os
import shutil
import signal
import subprocess
import sys
from collections import Counter
from itertools import combinations, product
from pathlib import Path
from types import SimpleNamespace
from typing import Any, NoReturn

import pytest

from server.demo.processes import ROOT
from tests.faults.options import POLICIES
from tests.simulated.forks import in_child
from tests.simulated.prefixes import prefixes

STAGE: Any = SimpleNamespace(boards=(), clones=())


@pytest.fixture
def folder(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    """In which the parent stands, with a file of its own."""
    here = tmp_path / "parent"
    here.mkdir()
    (here / "file").write_text("the parent's")
    monkeypatch.chdir(here)
    return here


def test_a_child_goes_on_with_copies_and_leaves_nothing(folder: Path) -> None:
    def work() -> str:
        before = Path("file").read_text()
        Path("file").write_text("the child's")
        return f"{before} {Path.cwd().name.partition('+')[0]}"

    assert in_child(STAGE, work) == "the parent's parent"
    assert (folder / "file").read_text() == "the parent's"
    assert list(folder.parent.iterdir()) == [folder]


def test_a_child_that_cannot_copy_the_files_leaves_its_parents_alone(
    folder: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    def full(_: Path, mine: Path, **__: Any) -> NoReturn:
        mine.mkdir()
        raise OSError(errno.ENOSPC, "no space left on device")

    monkeypatch.setattr(shutil, "copytree", full)
    with pytest.raises(RuntimeError, match="no space left on device"):
        in_child(STAGE, lambda: "not done")
    assert (folder / "file").read_text() == "the parent's"
    assert list(folder.parent.iterdir()) == [folder]


def test_a_child_whose_word_cannot_be_sent_or_that_dies_is_broken_and_waited_for(
    folder: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    children, fork = list[int](), os.fork

    def counted() -> int:
        child = fork()
        children.append(child)
        return child

    monkeypatch.setattr(os, "fork", counted)
    with pytest.raises(RuntimeError, match="pickle"):
        in_child(STAGE, lambda: lambda: None)
    with pytest.raises(RuntimeError, match="in the middle of a word"):
        in_child(STAGE, lambda: os.kill(os.getpid(), signal.SIGKILL))
    assert list(folder.parent.iterdir()) == [folder]
    assert len(children) == 2
    for child in children:
        with pytest.raises(ChildProcessError):
            os.waitpid(child, os.WNOHANG)


def test_the_prefixes_have_every_rule_on_every_head_and_cadence_with_one_run_and_with_two() -> None:
    scenarios = [prefix.scenario for prefix in prefixes()]
    assert len(scenarios) == 70
    assert [scenario.seed for scenario in scenarios] == list(range(1, 71))
    for number, policy in enumerate(POLICIES):
        found = Counter((one.profile, len(one.spans_h)) for one in scenarios if one.policy == policy)
        crossed = ("stride", "glide")[number % 2]
        assert found == {("crawl", 1): 1, ("crawl", 2): 1, ("burst", 1): 1, ("burst", 2): 1, (crossed, 1): 1}


def test_each_option_of_the_prefixes_comes_with_each_of_the_others() -> None:
    """Pairs: of what is chosen freely, every two values come together in some prefix."""
    scenarios = [prefix.scenario for prefix in prefixes()]
    values: dict[str, tuple[object, ...]] = {
        "policy": tuple(POLICIES),
        "profile": ("crawl", "burst", "stride", "glide"),
        "horizon": ("PT24H", "PT2H"),
        "attended": (False, True),
        "cycle": ("mean-solar-day", "apparent-solar-day", "sidereal-day", "lunar-day"),
    }
    found = {
        (one, other): {(getattr(each, one), getattr(each, other)) for each in scenarios}
        for one, other in combinations(values, 2)
    }
    plain = {policy for policy in POLICIES if policy not in ("shift", "shift-again", "shift-abandon")}
    for (one, other), pairs in found.items():
        wanted = set(product(plain if one == "policy" else values[one], values[other]))
        missing = wanted - pairs
        if (one, other) == ("policy", "profile"):  # by turns: the test above has them
            missing = {pair for pair in missing if pair[1] in ("crawl", "burst")}
        assert not missing, (one, other, sorted(map(str, missing)))
    assert {each.cycle for each in scenarios if each.policy not in plain} == {"period"}


def test_wherever_the_power_goes_and_once_more_in_the_restart_the_promises_are_kept(tmp_path: Path) -> None:
    file = tmp_path / "branches.json"
    command = [sys.executable, "-m", "tests.simulated.branching", "--prefixes", "7", "--pairs", "1", "--workers", "1"]
    done = subprocess.run(
        [*command, "--file", str(file)],
        cwd=ROOT,
        env=os.environ,
        capture_output=True,
        text=True,
        timeout=900,
        check=False,
    )
    assert done.returncode == 0, done.stdout + done.stderr
    found = json.loads(file.read_text())
    assert found["broken"] == []
    assert found["branches"] > 60, "before and after each commit, order and cut"
