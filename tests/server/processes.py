"""The server's own processes, started as people start them."""

from __future__ import annotations

import os
import subprocess
import sys
import time
from collections.abc import Iterator, Mapping
from contextlib import contextmanager
from pathlib import Path

PATIENCE_S = 120.0


class Gone(Exception):
    """A process ended, or did not get so far in time."""


@contextmanager
def process(arguments: list[str], environment: Mapping[str, str], log: Path) -> Iterator[subprocess.Popen[bytes]]:
    """A process of the project's interpreter, ended at the end; what it says goes to ``log``."""
    ours = {name: value for name, value in os.environ.items() if not name.startswith("DAYROLL_")}
    with log.open("wb") as out:
        child = subprocess.Popen(
            [sys.executable, *arguments], env=ours | dict(environment), stdout=out, stderr=subprocess.STDOUT
        )
    try:
        yield child
    finally:
        child.terminate()
        try:
            child.wait(PATIENCE_S)
        except subprocess.TimeoutExpired:
            child.kill()
            child.wait()


def wait_for_line(child: subprocess.Popen[bytes], log: Path, holds: str) -> str:
    """The first line of a log that holds a text, once it is there.

    Raises:
        Gone: the process ended first, or it took too long; with what it said.
    """
    deadline = time.monotonic() + PATIENCE_S
    while time.monotonic() < deadline:
        ended = child.poll() is not None
        for line in log.read_text(errors="replace").splitlines():
            if holds in line:
                return line
        if ended:
            break
        time.sleep(0.05)
    raise Gone(f"waited for {holds!r}:\n{log.read_text(errors='replace')}")


def run(arguments: list[str], environment: Mapping[str, str]) -> subprocess.CompletedProcess[str]:
    """A command of the server, to its end."""
    ours = {name: value for name, value in os.environ.items() if not name.startswith("DAYROLL_")}
    command = [sys.executable, "-m", "server", *arguments]
    return subprocess.run(
        command, env=ours | dict(environment), capture_output=True, text=True, timeout=PATIENCE_S, check=False
    )
