"""The whole chain as it is run: a server, the node's process, a serial device with an emulated controller behind it.

The controller outlives the node that is killed; its watchdog stops the motion and disarms the knife.
"""

from __future__ import annotations

import contextlib
import json
import os
import signal
import subprocess
import sys
import time
from collections.abc import Iterator
from pathlib import Path

import pytest

from machines.clock import CLOCK_VARIABLE, SKEW_VARIABLE, CompressedClock
from machines.drivers.simulated.paper import read_paper
from machines.model.profile import Profile
from machines.protocol.journal_entries import GapSettled, KnifeArmed, NodeStarted, StripCut
from machines.protocol.messages import RunWork
from machines.recovery import Policy
from machines.serialization import unstructure
from tests.machines.node.account import check_paper
from tests.machines.node.relay import Studio, carriage_profile, line_profile, picture, serving
from tests.machines.node.test_end_to_end import NEAR_KNIFE, Bench, wait_for

RATE = 240.0  # a column, two minutes, lasts half a second: a controller is no faster for a compressed clock
FIRST, COLUMNS = 700, 24


@contextlib.contextmanager
def emulator(folder: Path, profile: Profile) -> Iterator[Path]:
    """A controller in a process of its own, with the memory of the one before; the name of its device."""
    folder.mkdir(exist_ok=True)
    (folder / "profile.json").write_text(json.dumps(unstructure(profile)))
    options = {
        "--profile": folder / "profile.json",
        "--paper": folder / "paper",
        "--memory": folder / "memory.json",
        "--link": folder / "device",
        "--step-ms": 1,
        "--cut-ms": 20,
    }
    arguments = [str(word) for pair in options.items() for word in pair]
    command = [sys.executable, "-m", "machines.drivers.emulated.emulator", *arguments]
    with (folder / "said").open("w") as said:
        process = subprocess.Popen(command, stdin=subprocess.PIPE, stdout=said, stderr=said)
    try:
        wait_for(lambda: (folder / "device").exists(), "the device")
        yield folder / "device"
    finally:
        process.send_signal(signal.SIGTERM)
        process.communicate(timeout=30.0)


@contextlib.contextmanager
def studio_bench(folder: Path, profile: Profile, strips_per_turn: int = 48) -> Iterator[Bench]:
    """A server, and a board that is enrolled with it."""
    clock = CompressedClock(time.clock_gettime(time.CLOCK_BOOTTIME), 1_790_000_000.0, RATE)
    run = RunWork(
        id="run",
        first_column=FIRST,
        end_column=FIRST + COLUMNS,
        strips_per_turn=strips_per_turn,
        nozzle_seed=5,
        mean_turn_s=86400.0,
    )
    studio = Studio(clock, profile, None, Policy(kind="replay"), 0.0, 48, picture(profile), poll_after_s=120.0)
    environ = {**os.environ, CLOCK_VARIABLE: clock.as_text(), SKEW_VARIABLE: "-86400:80"}
    with serving(studio) as url:
        bench = Bench(studio, url, folder / "node", environ, run, begins_in_s=0.5 * RATE)
        bench.call("enrol", "--server", url, given="good")
        yield bench


@contextlib.contextmanager
def serial_bench(folder: Path, profile: Profile, strips_per_turn: int = 48) -> Iterator[tuple[Bench, Path]]:
    with studio_bench(folder, profile, strips_per_turn) as bench, emulator(folder / "machine", profile) as device:
        yield bench, device


def start(bench: Bench, device: Path) -> subprocess.Popen[str]:
    return bench.start("--machine", "serial", "--device", str(device), "--resume-unattended")


@pytest.mark.parametrize(
    "profile",
    [
        line_profile(knife=NEAR_KNIFE),
        carriage_profile(knife=NEAR_KNIFE, columns_per_burst=4, highest_mm_per_hour=120.0),
    ],
    ids=["line", "carriage"],
)
def test_killed_and_started_again_it_prints_each_column_once_and_cuts_only_while_armed(
    tmp_path: Path, profile: Profile
) -> None:
    with serial_bench(tmp_path, profile, strips_per_turn=144) as (bench, device):
        paper = tmp_path / "machine" / "paper"

        def laid() -> int:
            return len(read_paper(paper).laid) if (paper / "paper.ledger").exists() else 0

        agent = start(bench, device)
        wait_for(lambda: laid() >= 4, "the first columns")
        assert bench.status().knife.startswith("disarmed")
        bench.arm()
        bench.kill(agent)
        agent = start(bench, device)
        wait_for(lambda: len(bench.studio.all_of(NodeStarted)) == 2, "the second start")
        assert bench.status().knife.startswith("disarmed")
        wait_for(lambda: laid() >= 8, "columns after the kill")
        bench.arm()
        bench.wait_for_the_end()
        bench.stop(agent)
        assert check_paper(read_paper(paper), bench.studio, bench.studio.entries) == bench.whole
        assert len(bench.studio.all_of(KnifeArmed)) == 2
        second_arming = bench.studio.all_of(KnifeArmed)[1].seq
        cuts = bench.studio.all_of(StripCut)
        assert any(cut.made for cut in cuts if cut.seq > second_arming)
        unknown = sum(len(settled.decision.unknown) for settled in bench.studio.all_of(GapSettled))
        assert unknown <= 2 * profile.columns_per_burst, "a kill leaves no more than a commit's columns unknown"


def test_a_device_must_be_named(tmp_path: Path) -> None:
    with serving(Studio(None, line_profile(), None, Policy(kind="skip"), 0.0, 48, picture(line_profile()))) as url:  # type: ignore[arg-type]
        bench = Bench(None, url, tmp_path, dict(os.environ))  # type: ignore[arg-type]
        bench.call("enrol", "--server", url, given="good")
        assert "give --device" in bench.call("run", "--machine", "serial", expect=2).stderr
        assert "a simulated machine has none" in bench.call("run", "--device", "/dev/null", expect=2).stderr
