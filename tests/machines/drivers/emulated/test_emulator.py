"""The emulator as a program of its own, with a node's driver at its device."""

from __future__ import annotations

import contextlib
import json
import signal
import subprocess
import sys
from collections.abc import Iterator
from pathlib import Path

import numpy as np
import pytest

from machines.clock import SystemClock
from machines.drivers import MachineStopped
from machines.drivers.emulated.emulator import main
from machines.drivers.serial.machine import SerialMachine, open_serial
from machines.drivers.simulated.paper import read_paper
from tests.machines.drivers.serial.bench import SEED, profile


class Program:
    """The emulator in a process."""

    def __init__(self, folder: Path, *options: str) -> None:
        self.profile = profile()
        (folder / "profile.json").write_text(json.dumps(self.profile.as_json()))
        self.device = folder / "machine"
        files = ["--profile", folder / "profile.json", "--paper", folder / "paper", "--memory", folder / "memory.json"]
        command = [sys.executable, "-m", "machines.drivers.emulated.emulator", *files, "--link", self.device, *options]
        self.process = subprocess.Popen(
            [str(word) for word in command], stdin=subprocess.PIPE, stdout=subprocess.PIPE, text=True
        )
        assert self.heard() == f"device {self.device}"

    def say(self, command: str) -> None:
        assert self.process.stdin is not None
        self.process.stdin.write(command + "\n")
        self.process.stdin.flush()

    def heard(self) -> str:
        assert self.process.stdout is not None
        return self.process.stdout.readline().strip()

    def node(self) -> SerialMachine:
        return open_serial(str(self.device), self.profile, SEED, SystemClock())


@contextlib.contextmanager
def running(folder: Path, *options: str) -> Iterator[Program]:
    program = Program(folder, *options)
    try:
        yield program
    finally:
        program.process.kill()
        with program.process:
            pass


def test_a_node_prints_on_it_and_goes_on_after_a_kill(tmp_path: Path) -> None:
    dots = np.random.default_rng(1).random((24, 5)) < 0.5
    with running(tmp_path, "--step-ms", "1", "--cut-ms", "1") as program:
        node = program.node()
        node.lay(0, dots, 40)
        assert program.heard() == f"laid place 0, column 40, {dots[:, 0].sum()} dots"
        node.arm()
        node.cut(0)
    with running(tmp_path, "--step-ms", "1") as program:
        node = program.node()
        assert node.standing().end == 5
        with pytest.raises(MachineStopped):
            node.lay(4, dots, 44)
        node.lay(5, dots, 45)
        node.close()
        program.process.send_signal(signal.SIGTERM)
        assert program.process.wait(5) == 0
        assert not program.device.is_symlink()
    paper = read_paper(tmp_path / "paper")
    assert np.array_equal(paper.dots, np.hstack([dots, dots]))
    assert paper.laid["column"].tolist() == list(range(40, 50))
    assert paper.cuts["place"].tolist() == [0]


def test_takes_commands_from_the_terminal(tmp_path: Path) -> None:
    with running(tmp_path) as program:
        node = program.node()
        program.say("raise cover-open-error")
        program.say("state")
        assert "head capped, knife disarmed, standing still" in program.heard()
        assert node.conditions()[0] == "cover-open-error"
        program.say("clear cover-open-error")
        program.say("restart")
        program.say("dance")
        assert program.heard().startswith("no such command")
        program.say("state")
        program.heard()
        assert node.conditions() == ("separation-cutter-offline-warning",)
        program.say("unplug")
        program.say("state")
        program.heard()
        assert node.conditions() == ("connecting-to-device-error",)
        program.say("plug")
        program.say("state")
        program.heard()
        assert node.conditions() == ("separation-cutter-offline-warning",)
        node.close()


def test_a_noisy_wire_can_be_asked_for(tmp_path: Path) -> None:
    with running(tmp_path, "--noise-rate", "0.05", "--noise-seed", "4", "--delay-ms", "5", "--step-ms", "0") as program:
        node = program.node()
        node.lay(0, np.ones((24, 3), dtype=np.bool_), 0)
        node.close()


@pytest.mark.parametrize(
    ("content", "message"),
    [
        (None, "No such file"),
        ("{", "profile: "),
        ("{}", "profile."),
    ],
)
def test_a_profile_that_cannot_be_used_is_said(
    tmp_path: Path, capsys: pytest.CaptureFixture[str], content: str | None, message: str
) -> None:
    path = tmp_path / "profile.json"
    if content is not None:
        path.write_text(content)
    assert main(["--profile", str(path)]) == 2
    said = capsys.readouterr().err
    assert said.startswith("emulator: ") and message in said and "Traceback" not in said


@pytest.mark.parametrize("memory", ["{", '{"end": "x"}', '{"colour": 1}'])
def test_a_memory_that_cannot_be_read_is_said(tmp_path: Path, capsys: pytest.CaptureFixture[str], memory: str) -> None:
    (tmp_path / "profile.json").write_text(json.dumps(profile().as_json()))
    (tmp_path / "memory.json").write_text(memory)
    files = ["--profile", str(tmp_path / "profile.json"), "--memory", str(tmp_path / "memory.json")]
    assert main(files) == 2
    assert "memory" in capsys.readouterr().err
