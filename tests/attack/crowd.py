"""Very many strangers at once, in a process of their own, so that whoever measures is not one of them.

`python -m tests.attack.crowd PORT SECONDS READERS DRIPS PATH...` asks for the paths, each reader for one after another,
while connections drip their heads; then it says as JSON what the readers were answered, and how slowly.
"""

from __future__ import annotations

import json
import subprocess
import sys
import threading
import time
from collections import Counter
from collections.abc import Sequence
from dataclasses import dataclass, field
from itertools import cycle
from socket import create_connection, socket
from typing import Any

from tests.attack.remote import LOOPBACK, Wire

DRIP_EVERY_S = 1.0
HEAD = b"GET /livez HTTP/1.1\r\nHost: localhost\r\nX-Drip: "


@dataclass
class Answered:
    """What readers were answered: how often which status, and how long the slowest took, s."""

    statuses: Counter[int] = field(default_factory=Counter)
    slowest_s: float = 0.0
    lock: threading.Lock = field(default_factory=threading.Lock)

    def add(self, status: int, took_s: float) -> None:
        with self.lock:
            self.statuses[status] += 1
            self.slowest_s = max(self.slowest_s, took_s)


def read_on(port: int, paths: Sequence[str], first: int, until: float, answered: Answered) -> None:
    """One reader, who asks again at once."""
    wire = Wire(port)
    for path in cycle([*paths[first:], *paths[:first]]):
        if time.monotonic() >= until:
            return
        answer = wire.get(path)
        answered.add(answer.status_code, answer.took_s)


def drip(port: int, count: int, until: float) -> None:
    """So many connections, each of which sends an octet now and then; one that was closed is opened again."""
    open_ones: list[socket | None] = [None] * count
    while time.monotonic() < until:
        for index, one in enumerate(open_ones):
            try:
                if one is None:
                    one = open_ones[index] = create_connection((LOOPBACK, port), timeout=5.0)
                    one.sendall(HEAD)
                one.sendall(b"x")
            except OSError:
                if one is not None:
                    one.close()
                open_ones[index] = None
        time.sleep(DRIP_EVERY_S)
    for one in open_ones:
        if one is not None:
            one.close()


def storm(port: int, seconds: float, readers: int, drips: int, paths: Sequence[str]) -> dict[str, Any]:
    """All of them at once."""
    until, answered = time.monotonic() + seconds, Answered()
    threads = [
        threading.Thread(target=read_on, args=(port, paths, number % len(paths), until, answered))
        for number in range(readers)
    ]
    threads.append(threading.Thread(target=drip, args=(port, drips, until)))
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join()
    statuses = {str(status): count for status, count in sorted(answered.statuses.items())}
    return {"statuses": statuses, "slowest_s": answered.slowest_s}


def begin(port: int, seconds: float, readers: int, drips: int, paths: Sequence[str]) -> subprocess.Popen[str]:
    """A crowd in a process of its own; `finish` says what came of it."""
    numbers = [str(value) for value in (port, seconds, readers, drips)]
    command = [sys.executable, "-m", "tests.attack.crowd", *numbers, *paths]
    return subprocess.Popen(command, stdout=subprocess.PIPE, text=True)


def finish(crowd: subprocess.Popen[str]) -> dict[str, Any]:
    """What the readers were answered."""
    out, _ = crowd.communicate()
    return dict(json.loads(out))


if __name__ == "__main__":
    port, seconds, readers, drips, *paths = sys.argv[1:]
    sys.stdout.write(json.dumps(storm(int(port), float(seconds), int(readers), int(drips), paths)))
