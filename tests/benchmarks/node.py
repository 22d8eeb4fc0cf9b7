"""What the field node takes of a small board: an agent in its own process, beside a studio that serves it real plates.

| name | baseline: what the board can spare | ours |
| --- | --- | --- |
| node-memory-peak | 80 MB | the most that was resident (VmHWM), with plates fetched, kept and a turn printed |
| node-memory | 80 MB | what is resident (VmRSS) when the turn is printed |
| node-idle-processor | 2 % of one core | user and system time over a minute of nothing to print, at the true rate |
| node-idle-wakeups | 4 a second | how often its threads woke up in that minute; its machine is asked twice a second |

The baselines are stated, not measured: they are what the agent may take of a board with half a gigabyte and one slow
core. A ratio above 1 is below the limit. The machine is a carriage of 600 dpi on paper 305 mm wide; a turn is 14 400
columns, a plate has 104 million dots by chance, which no compressor makes smaller. It prints the turn in a compressed
day, and idles by the system's clock with a week of work in hand and the panel served. The simulated machine keeps its
paper on the disk; the picture of it that it draws when it is closed is not the agent's, and is not counted.
"""

from __future__ import annotations

import os
import re
import signal
import subprocess
import sys
import tempfile
import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from pathlib import Path

from machines.clock import CLOCK_VARIABLE, Clock, CompressedClock, SystemClock
from machines.imaging.plate import Plate
from machines.model.profile import CarriageHead, Knife, Media, Profile
from machines.protocol.journal_entries import ColumnsPrinted, NodeStarted
from machines.protocol.messages import RunWork
from machines.recovery import Policy
from tests.benchmarks.row import Row
from tests.machines.node.relay import Studio, picture, serving

LIMIT_MB, LIMIT_PERCENT, LIMIT_WAKEUPS = 80.0, 2.0, 4.0
COLUMNS, DAY_S = 14_400, 86_400.0
RATE = 1440.0  # a day in a minute
IDLE_S = 60.0
PATIENCE_S = 180.0
PROFILE = Profile(
    name="carriage, 600 dpi",
    columns_per_turn=COLUMNS,
    mm_per_turn=609.6,
    dots_across=7200,
    print_width_mm=304.8,
    highest_mm_per_hour=600.0,
    head=CarriageHead(nozzles=64, passes=2, drop_pl=10.0),
    media=Media(width_mm=320.0, caliper_mm=0.1, roll_m=50.0),
    knife=Knife(head_to_knife_mm=90.0, cuts_per_blade=1000),
    columns_per_burst=64,
)


def rows() -> list[Row]:
    """The measurements."""
    plate = picture(PROFILE)
    peak_mb, resident_mb = _memory(plate)
    idle_percent, wakeups = _idle(plate)
    return [
        Row("node-memory-peak", LIMIT_MB, peak_mb, "MB", 1.0),
        Row("node-memory", LIMIT_MB, resident_mb, "MB", 1.0),
        Row("node-idle-processor", LIMIT_PERCENT, idle_percent, "% of core", 1.0),
        Row("node-idle-wakeups", LIMIT_WAKEUPS, wakeups, "a second", 1.0),
    ]


def _memory(plate: Plate) -> tuple[float, float]:
    """The most that was resident, and what is in the end, megabytes, over a turn of printing."""
    clock = CompressedClock(time.clock_gettime(time.CLOCK_BOOTTIME), 1_790_000_000.0, RATE)
    with _agent(plate, clock, starts_in_s=5 * RATE) as (studio, pid):
        _wait_for(lambda: _printed_to(studio) >= COLUMNS)
        return _megabytes(pid, "VmHWM"), _megabytes(pid, "VmRSS")


def _idle(plate: Plate) -> tuple[float, float]:
    """The share of one core that the agent takes while nothing is due, percent; and how often a second it wakes up."""
    with _agent(plate, SystemClock(), starts_in_s=3600.0) as (studio, pid):
        _wait_for(lambda: bool(studio.all_of(NodeStarted)))
        time.sleep(10.0)  # the plates are fetched
        before_s, wakes, began_s = _processor_s(pid), _wakes(pid), time.monotonic()
        time.sleep(IDLE_S)
        took_s = time.monotonic() - began_s
        return 100.0 * (_processor_s(pid) - before_s) / took_s, (_wakes(pid) - wakes) / took_s


@contextmanager
def _agent(plate: Plate, clock: Clock, starts_in_s: float) -> Iterator[tuple[Studio, int]]:
    """A studio, and the process of the agent that prints for it."""
    run = RunWork(
        id="run",
        first_column=0,
        end_column=8 * COLUMNS,
        strips_per_turn=24,
        nozzle_seed=5,
        mean_turn_s=DAY_S,
    )
    studio = Studio(clock, PROFILE, run, Policy(kind="skip"), clock.now() + starts_in_s, 48, plate)
    with tempfile.TemporaryDirectory(prefix="dayroll-bench-") as home, serving(studio) as url:
        rate_name = clock.as_text() if isinstance(clock, CompressedClock) else "system"
        environ = os.environ | {CLOCK_VARIABLE: rate_name}
        command = [sys.executable, "-m", "machines.node"]
        enrol = [*command, "enrol", "--server", url, "--home", home]
        subprocess.run(enrol, env=environ, check=True, input=b"good", stdout=subprocess.DEVNULL)
        running = [*command, "run", "--home", home, "--panel", "127.0.0.1:0"]
        with (Path(home) / "said").open("w") as said:
            agent = subprocess.Popen(running, env=environ, stderr=said)
            try:
                yield studio, agent.pid
            finally:
                agent.send_signal(signal.SIGTERM)
                agent.wait(PATIENCE_S)


def _printed_to(studio: Studio) -> int:
    return max((entry.columns.end for entry in studio.all_of(ColumnsPrinted)), default=0)


def _wait_for(condition: Callable[[], bool]) -> None:
    deadline = time.monotonic() + PATIENCE_S
    while not condition():
        if time.monotonic() > deadline:
            raise TimeoutError("the agent did not print what it was to print")
        time.sleep(0.2)


def _megabytes(pid: int, name: str) -> float:
    """A size from the kernel's account of a process; it gives kibibytes."""
    for line in Path(f"/proc/{pid}/status").read_text().splitlines():
        if line.startswith(name + ":"):
            return int(line.split()[1]) * 1024 / 1e6
    raise KeyError(name)


def _wakes(pid: int) -> int:
    """How often threads of a process went to sleep of themselves so far; see proc(5)."""
    status = "".join(task.read_text() for task in Path(f"/proc/{pid}/task").glob("*/status"))
    return sum(map(int, re.findall(r"^voluntary_ctxt_switches:\s*(\d+)", status, re.MULTILINE)))


def _processor_s(pid: int) -> float:
    """User and system time of a process so far, seconds; see proc(5)."""
    fields = Path(f"/proc/{pid}/stat").read_text().rpartition(")")[2].split()
    return (int(fields[11]) + int(fields[12])) / os.sysconf("SC_CLK_TCK")


if __name__ == "__main__":
    for row in rows():
        print(f"{row.name:<24} {row.baseline:>8.3g} {row.ours:>8.3g} {row.unit}  {row.ratio:.3g}")
