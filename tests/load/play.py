"""The load itself: a server, its studio, processes full of boards, and those who look on."""

from __future__ import annotations

import json
import multiprocessing
import os
import subprocess
import sys
import threading
import time
from collections.abc import Callable, Mapping
from contextlib import ExitStack
from dataclasses import dataclass, field
from datetime import UTC, datetime, timedelta
from multiprocessing.connection import Connection, wait
from pathlib import Path
from typing import Any

from machines.clock import CLOCK_VARIABLE, CompressedClock, utc
from machines.serialization import format_instant
from server.demo.processes import ROOT, DemoError, Studio
from server.demo.server_parts import Making, Served
from tests.load import boards, judged, lookers
from tests.load.figures import Figures, percentile
from tests.load.judged import Journals, Ran, Told
from tests.load.processes import Taken, taken

# What is furnished first happens so long before runs begin: nothing of them is due before all boards are there.
BEFORE = timedelta(hours=2)
NODES_A_PROCESS = 500
# Boards begin within one poll's time, as those of many houses do; the clock's seconds. The first burst is due after it.
SPREAD_S, LEAD_S = 60.0, 90.0
SAY_EVERY_S = 5.0

Say = Callable[[str], None]


@dataclass(frozen=True)
class Asked:
    """What to play.

    Attributes:
        nodes, venues: how many.
        lasts_s: real seconds, once all have begun.
        rate: of the clock.
    """

    nodes: int
    venues: int
    lasts_s: float
    rate: float

    def __post_init__(self) -> None:
        if not 0 < self.venues <= self.nodes:
            raise DemoError(f"{self.venues} venues for {self.nodes} nodes: give at least one, and one node to each")


@dataclass
class Played:
    """What came of it.

    Attributes:
        figures: of all boards, consoles and calendars.
        written: what all boards wrote down.
        log: the entries of machines in the server's log.
        taken: of each process while boards were there.
        load_average: of this computer, at the beginning, the most, and at the end.
    """

    figures: Figures = field(default_factory=Figures)
    written: Journals = field(default_factory=lambda: Journals((), (), {}))
    log: list[Told] = field(default_factory=list)
    taken: dict[str, Taken] = field(default_factory=dict)
    load_average: list[float] = field(default_factory=list)
    real_s: float = 0.0
    broken: list[str] = field(default_factory=list)


def play(asked: Asked, making: Making, folder: Path, say: Say) -> Played:
    """Play it in a folder of its own; see `Played`.

    Raises:
        DemoError: the server does not start, or a process of boards ends by itself.
    """
    began = datetime.now(UTC)
    earlier = _clock(began - BEFORE, 1.0)
    served = making(folder, earlier, {})
    studio = _furnished(asked, served, folder, began, say)
    since = utc(earlier.now())
    served.start()
    with ExitStack() as ending:
        ending.callback(served.stop)
        groups = _groups(asked, folder, served, studio["codes"])
        lines = [_started(group, number, ending) for number, group in enumerate(groups)]
        _wait_until_set_up(lines)
        say(f"{asked.nodes} boards are enrolled, and hold work and plates; the server is started anew")
        served.stop()
        clock = _clock(began - timedelta(seconds=LEAD_S), asked.rate)
        served.go_by(clock)
        served.start()
        for line, _ in lines:
            line.send(clock.as_text())
        played = _watched(asked, served, lines, studio, say)
        ended_at = clock.now()
        _judge(asked, played, ended_at, folder, Studio(served.address, studio["key"]), since)
    return played


def _clock(shows: datetime, rate: float) -> CompressedClock:
    return CompressedClock(time.clock_gettime(time.CLOCK_BOOTTIME), shows.timestamp(), rate)


def _furnished(asked: Asked, served: Served, folder: Path, begins: datetime, say: Say) -> Any:
    say(f"furnishing {asked.nodes} machines at {asked.venues} venues")
    told = folder / "furnish.log"
    with told.open("w") as log:
        order = [
            sys.executable,
            "-m",
            "tests.load.furnish",
            str(asked.nodes),
            str(asked.venues),
            format_instant(begins),
        ]
        done = subprocess.run(order, cwd=ROOT, env=served.owner, stdout=subprocess.PIPE, stderr=log, check=False)
    if done.returncode:
        raise DemoError(f"furnishing failed: {told.read_text()[-2000:]}")
    return json.loads(done.stdout)


def _groups(asked: Asked, folder: Path, served: Served, codes: Mapping[str, str]) -> list[boards.Group]:
    count = -(-asked.nodes // NODES_A_PROCESS)
    every, clock = [*codes.items()], served.environment[CLOCK_VARIABLE]
    return [
        boards.Group(folder / "boards", served.nodes_address, dict(every[place::count]), clock, SPREAD_S / asked.rate)
        for place in range(count)
    ]


Line = tuple[Connection, multiprocessing.process.BaseProcess]


def _started(group: boards.Group, number: int, ending: ExitStack) -> Line:
    spawning = multiprocessing.get_context("spawn")
    ours, theirs = spawning.Pipe()
    process = spawning.Process(target=boards.live, args=(group, theirs), name=f"boards {number + 1}", daemon=True)
    process.start()
    theirs.close()
    ending.callback(process.join)
    ending.callback(process.terminate)
    return ours, process


def _wait_until_set_up(lines: list[Line]) -> None:
    for line, process in lines:
        try:
            line.recv()
        except EOFError:
            raise DemoError(f"{process.name} could not be set up") from None


def _watched(asked: Asked, served: Served, lines: list[Line], studio: Any, say: Say) -> Played:
    """Until the time is over, and all boards are gone."""
    played, stopping = Played(), threading.Event()
    tab, calendars = lookers.Looker(served.address), lookers.Looker(served.address)
    others = [
        threading.Thread(target=lookers.tab, args=(tab, stopping)),
        threading.Thread(target=lookers.calendars, args=(calendars, studio["venues"], stopping)),
    ]
    before, began_s = _all_taken(served, lines), time.monotonic()
    for one in others:
        one.start()
    ends_s, said_s = began_s + SPREAD_S / asked.rate + asked.lasts_s, began_s
    while time.monotonic() < ends_s:
        _hear(lines, played.figures, min(1.0, max(0.0, ends_s - time.monotonic())))
        served.require_alive()
        if time.monotonic() >= said_s + SAY_EVERY_S:
            said_s = time.monotonic()
            say(_line(played, said_s - began_s, _since(before, _all_taken(served, lines))))
    stopping.set()
    played.real_s, played.taken = time.monotonic() - began_s, _since(before, _all_taken(served, lines))
    _take_leave(lines, played.figures)
    for one in others:
        one.join()
    for looker in (tab, calendars):
        played.figures.add(looker.figures)
    return played


def _hear(lines: list[Line], figures: Figures, wait_s: float) -> None:
    told = wait([line for line, _ in lines], wait_s)
    for line, process in lines:
        if line not in told:
            continue
        try:
            figures.add(line.recv())
        except EOFError:
            raise DemoError(f"{process.name} ended by itself") from None


def _take_leave(lines: list[Line], figures: Figures) -> None:
    for line, _ in lines:
        line.send("enough")
    for line, _ in lines:
        while (more := line.recv()) is not None:
            figures.add(more)


def _all_taken(served: Served, lines: list[Line]) -> dict[str, Taken]:
    own = {child.name: child.process.pid for child in served.children if child.process is not None}
    return {name: taken(pid) for name, pid in own.items()} | {one.name: taken(one.pid or 0) for _, one in lines}


def _since(before: Mapping[str, Taken], now: Mapping[str, Taken]) -> dict[str, Taken]:
    return {name: Taken(one.processor_s - before[name].processor_s, one.memory_mb) for name, one in now.items()}


def _line(played: Played, lasted_s: float, took: Mapping[str, Taken]) -> str:
    load = os.getloadavg()[0]
    played.load_average.append(round(load, 2))
    polls = played.figures.took_s.get("poll", [])
    processes = ", ".join(
        f"{name} {100 * one.processor_s / lasted_s:.0f} % {one.memory_mb:.0f} MB" for name, one in took.items()
    )
    half_ms, most_ms = (1000 * percentile(polls, percent) for percent in (50, 99))
    return (
        f"{lasted_s:5.0f} s: {len(polls)} polls, p50 {half_ms:.0f} ms, p99 {most_ms:.0f} ms;"
        f" {len(played.figures.told_after_s)} entries told; {sum(played.figures.failed.values())} calls failed;"
        f" {processes}; load {load:.1f}"
    )


def _judge(asked: Asked, played: Played, ended_at: float, folder: Path, studio: Studio, since: datetime) -> None:
    played.written = judged.journals(path for path in (folder / "boards").iterdir())
    played.log = judged.logged(studio.all(f"events?said_from={format_instant(since)}"))
    ran = Ran(asked.nodes, asked.lasts_s * asked.rate, ended_at, asked.rate)
    played.broken = judged.broken(ran, played.figures, played.written, played.log)
