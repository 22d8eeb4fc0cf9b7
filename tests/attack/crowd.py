"""Very many strangers at once, in a process of their own, so that whoever measures is not one of them.

`python -m tests.attack.crowd PORT SECONDS PATIENCE READERS DRIPS PATH...` asks for the paths, each reader for one after
another, while connections drip their heads. It says a line as soon as all are there, and at the end as JSON what the
readers were answered, how slowly, and how many connections dripped.
"""

from __future__ import annotations

import json
import resource
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
CONNECT_LIMIT_S = 5.0
# Beside the connections: the readers', and the program's own.
OTHER_FILES = 100
HEAD = b"GET /livez HTTP/1.1\r\nHost: localhost\r\nX-Drip: "


THERE = "there"


class NoCrowd(Exception):
    """The crowd did not come."""


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


def read_on(wire: Wire, paths: Sequence[str], first: int, until: float, answered: Answered) -> None:
    """One reader, who asks again at once."""
    for path in cycle([*paths[first:], *paths[:first]]):
        if time.monotonic() >= until:
            return
        answer = wire.get(path)
        answered.add(answer.status_code, answer.took_s)


class Drips:
    """So many connections, each of which sends an octet now and then; one that was closed is opened again.

    Attributes:
        most_open: at the same time, as far as whoever opens them knows.
    """

    def __init__(self, port: int, count: int) -> None:
        _allow_files(count)
        self._port = port
        self._open: list[socket | None] = [None] * count
        self.most_open = 0

    def once(self) -> None:
        """An octet over each."""
        for index, one in enumerate(self._open):
            try:
                if one is None:
                    one = self._open[index] = create_connection((LOOPBACK, self._port), timeout=CONNECT_LIMIT_S)
                    one.sendall(HEAD)
                one.sendall(b"x")
            except OSError:
                if one is not None:
                    one.close()
                self._open[index] = None
        self.most_open = max(self.most_open, sum(one is not None for one in self._open))

    def on(self, until: float) -> None:
        """Again and again; at the end all are closed."""
        while time.monotonic() < until:
            time.sleep(DRIP_EVERY_S)
            self.once()
        for one in self._open:
            if one is not None:
                one.close()


def _allow_files(connections: int) -> None:
    """Raise the limit of open files as far as it may be: many systems give a program no more than 1024."""
    wanted = connections + OTHER_FILES
    soft, hard = resource.getrlimit(resource.RLIMIT_NOFILE)
    allowed = wanted if hard == resource.RLIM_INFINITY else min(wanted, hard)
    if soft != resource.RLIM_INFINITY and soft < allowed:
        resource.setrlimit(resource.RLIMIT_NOFILE, (allowed, hard))


def storm(wire: Wire, seconds: float, readers: int, drips: int, paths: Sequence[str]) -> dict[str, Any]:
    """All of them at once."""
    dripping, answered = Drips(wire.port, drips), Answered()
    dripping.once()
    until = time.monotonic() + seconds
    threads = [
        threading.Thread(target=read_on, args=(wire, paths, number % len(paths), until, answered))
        for number in range(readers)
    ]
    threads.append(threading.Thread(target=dripping.on, args=(until,)))
    for thread in threads:
        thread.start()
    sys.stdout.write(f"{THERE}\n")
    sys.stdout.flush()
    for thread in threads:
        thread.join()
    statuses = {str(status): count for status, count in sorted(answered.statuses.items())}
    return {"statuses": statuses, "slowest_s": answered.slowest_s, "most_dripping": dripping.most_open}


def begin(wire: Wire, seconds: float, readers: int, drips: int, paths: Sequence[str]) -> subprocess.Popen[str]:
    """A crowd in a process of its own, which is there now; `finish` says what came of it."""
    numbers = [str(value) for value in (wire.port, seconds, wire.patience_s, readers, drips)]
    command = [sys.executable, "-m", "tests.attack.crowd", *numbers, *paths]
    crowd = subprocess.Popen(command, stdout=subprocess.PIPE, text=True)
    assert crowd.stdout is not None
    if crowd.stdout.readline().strip() != THERE:
        crowd.kill()
        crowd.communicate()
        raise NoCrowd(f"it ended with {crowd.returncode}")
    return crowd


def finish(crowd: subprocess.Popen[str]) -> dict[str, Any]:
    """What the readers were answered, and how many connections dripped."""
    out, _ = crowd.communicate()
    return dict(json.loads(out))


def main(port: str, seconds: str, patience_s: str, readers: str, drips: str, *paths: str) -> None:
    """As the command line has it."""
    wire = Wire(int(port), patience_s=float(patience_s))
    sys.stdout.write(json.dumps(storm(wire, float(seconds), int(readers), int(drips), paths)))


if __name__ == "__main__":
    main(*sys.argv[1:])
