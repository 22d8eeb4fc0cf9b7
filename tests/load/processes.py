"""How much of the computer each process takes, as the kernel counts it."""

from __future__ import annotations

import os
from dataclasses import dataclass
from pathlib import Path

PROC = Path("/proc")
TICK_S = 1.0 / os.sysconf("SC_CLK_TCK")


@dataclass(frozen=True)
class Taken:
    """What a process and those that it started have taken.

    Attributes:
        processor_s: in user and kernel, seconds.
        memory_mb: resident at most so far, of all of them together, megabytes.
    """

    processor_s: float
    memory_mb: float


def taken(pid: int) -> Taken:
    """Of a process and its children; nothing of one that is gone."""
    own = _taken(pid)
    below = [taken(child) for child in _children(pid)]
    return Taken(
        own.processor_s + sum(one.processor_s for one in below), own.memory_mb + sum(one.memory_mb for one in below)
    )


def _taken(pid: int) -> Taken:
    try:
        # The name is in brackets, and may hold anything; fields are counted after it (proc(5)).
        fields = (PROC / str(pid) / "stat").read_text().rpartition(")")[2].split()
        status = (PROC / str(pid) / "status").read_text()
    except (FileNotFoundError, ProcessLookupError):
        return Taken(0.0, 0.0)
    peak = next((line.split()[1] for line in status.splitlines() if line.startswith("VmHWM:")), "0")
    return Taken((int(fields[11]) + int(fields[12])) * TICK_S, int(peak) / 1024)


def _children(pid: int) -> list[int]:
    try:
        tasks = [*(PROC / str(pid) / "task").iterdir()]
        return [int(child) for task in tasks for child in (task / "children").read_text().split()]
    except (FileNotFoundError, ProcessLookupError):
        return []
