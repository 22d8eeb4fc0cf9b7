"""Starting, killing and asking the processes of the demonstration: a server and its field nodes."""

from __future__ import annotations

import json
import os
import signal
import socket
import subprocess
import sys
import time
from collections.abc import Mapping
from contextlib import suppress
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

import urllib3

from machines.clock import CLOCK_VARIABLE, SKEW_VARIABLE, CompressedClock
from machines.errors import DayrollError

PATIENCE_S = 30.0
# A column passes in a twentieth of a second here, which a busy disk can take for one commit.
COLUMNS_PER_COMMIT = 4
ROOT = Path(__file__).resolve().parent.parent.parent


class DemoError(DayrollError):
    """The demonstration itself cannot go on; the message says why and where to look."""


def free_port() -> int:
    """A port of the loopback interface that nobody listens on."""
    with socket.socket() as probe:
        probe.bind(("127.0.0.1", 0))
        return int(probe.getsockname()[1])


@dataclass
class Child:
    """A process, its log file and how to start it again. Killed means SIGKILL: no warning, nothing tidied."""

    name: str
    command: list[str]
    environment: dict[str, str]
    log: Path
    process: subprocess.Popen[bytes] | None = None

    def start(self) -> None:
        """Start it, in a process group of its own, so that an interrupt of ours is not also its."""
        with self.log.open("ab") as log:
            self.process = subprocess.Popen(
                self.command, env=self.environment, stdout=log, stderr=log, start_new_session=True
            )

    @property
    def runs(self) -> bool:
        """Whether it was started and has not ended."""
        return self.process is not None and self.process.poll() is None

    def kill(self) -> None:
        """End it and all that it started without warning."""
        if self.process is not None:
            with suppress(ProcessLookupError):  # it ended, and so did all that it started
                os.killpg(self.process.pid, signal.SIGKILL)
            self.process.wait()

    def stop(self, patience_s: float = PATIENCE_S) -> None:
        """Ask it to end in order."""
        if self.process is None or not self.runs:
            return
        self.process.send_signal(signal.SIGTERM)
        try:
            self.process.wait(patience_s)
        except subprocess.TimeoutExpired:
            self.kill()
            raise DemoError(f"{self.name} did not stop within {patience_s:.0f} s; see {self.log}") from None

    def require_alive(self) -> None:
        """Raise if it ended by itself."""
        if not self.runs:
            tail = "\n".join(self.log.read_text(errors="replace").splitlines()[-12:])
            raise DemoError(f"{self.name} ended by itself; the end of {self.log}:\n{tail}")


@dataclass
class Studio:
    """The studio's way into the API."""

    address: str
    key: str
    pool: urllib3.PoolManager = field(default_factory=lambda: urllib3.PoolManager(retries=False))

    def call(self, method: str, path: str, body: Any = None, *, tag: str = "*") -> tuple[int, Any]:
        """Status and JSON of a call; ``path`` is below ``/api/v1/``. What is done is done to what had a tag, or to
        whatever stood there."""
        heads = {} if method == "GET" else {"If-Match": tag}
        response = self.pool.request(
            method,
            f"{self.address}/api/v1/{path}",
            headers={"Authorization": f"Bearer {self.key}"} | heads,
            json=body,
            timeout=PATIENCE_S,
        )
        return response.status, json.loads(response.data) if response.data else None

    def create(self, resource: str, body: Any) -> Any:
        """Create one of a resource, or raise with the server's own words."""
        status, answer = self.call("POST", resource, body)
        if status != 201:
            raise DemoError(f"the server refused to create one of {resource}: {answer}")
        return answer

    def put(self, path: str, body: Any) -> Any:
        """Set what is at a path, or raise with the server's own words."""
        status, answer = self.call("PUT", path, body)
        if status != 200:
            raise DemoError(f"the server refused to set {path}: {answer}")
        return answer

    def get(self, path: str) -> Any:
        """What is at a path, or raise with the server's own words."""
        status, answer = self.call("GET", path)
        if status != 200:
            raise DemoError(f"GET {path} answered {status}: {answer}")
        return answer

    def all(self, path: str) -> list[Any]:
        """Every row of a paged list."""
        rows: list[Any] = []
        cursor = ""
        while True:
            page = self.get(f"{path}{'&' if '?' in path else '?'}limit=500{cursor}")
            rows += page["results"]
            if page["next"] is None:
                return rows
            cursor = f"&cursor={page['next']}"

    def raw(self, path: str) -> bytes:
        """The bytes of a picture or a calendar."""
        return bytes(self._fetched(path).data)

    def tag(self, path: str) -> str:
        """The tag of what is at a path, for whoever changes it."""
        return self._fetched(path).headers["ETag"]

    def _fetched(self, path: str) -> urllib3.BaseHTTPResponse:
        response = self.pool.request(
            "GET",
            f"{self.address}/api/v1/{path}",
            headers={"Authorization": f"Bearer {self.key}"},
            timeout=PATIENCE_S,
        )
        if response.status != 200:
            raise DemoError(f"GET {path} answered {response.status}")
        return response


def wait_for_server(address: str, server: Child) -> None:
    """Wait until the server answers."""
    pool = urllib3.PoolManager(retries=False)
    deadline = time.monotonic() + PATIENCE_S
    while time.monotonic() < deadline:
        server.require_alive()
        try:
            if pool.request("GET", f"{address}/livez", timeout=2.0).status == 200:
                return
        except urllib3.exceptions.HTTPError:
            time.sleep(0.05)
    raise DemoError(f"the server did not answer within {PATIENCE_S:.0f} s; see {server.log}")


def environment(folder: Path, clock: CompressedClock, **more: str) -> dict[str, str]:
    """The environment of a child: ours, with the clock and the folder, and with nothing of ours in its way."""
    ours = {name: value for name, value in os.environ.items() if not name.startswith(("DAYROLL_", "DJANGO_"))}
    # One thread for array arithmetic: these are small arrays, and three nodes share two cores.
    threads = {"OMP_NUM_THREADS": "1", "OPENBLAS_NUM_THREADS": "1"}
    return ours | threads | {CLOCK_VARIABLE: clock.as_text(), "DAYROLL_HOME": str(folder)} | more


def server(folder: Path, clock: CompressedClock, port: int, settings: Mapping[str, str]) -> Child:
    """The server with its embedded default: SQLite, no broker, one process tree.

    It yields to the nodes: each of those has a board of its own in a gallery, and here all share one machine.
    """
    command = ["nice", "-n", "10", sys.executable, "-m", "server", "serve", "--port", str(port)]
    return Child("the server", command, environment(folder, clock, **settings), folder.parent / "server.log")


def node(folder: Path, clock: CompressedClock, skew: str) -> Child:
    """A field node, from its own small environment where ``make demo`` has set it up."""
    options = ["--home", str(folder), "--resume-unattended", "--columns-per-commit", str(COLUMNS_PER_COMMIT)]
    command = [*node_program(), "run", *options]
    name = f"node {folder.name}"
    return Child(
        name, command, environment(folder, clock, **{SKEW_VARIABLE: skew}), folder.parent / f"{folder.name}.log"
    )


def node_program() -> list[str]:
    """`dayroll-node`, by the interpreter that has nothing else installed."""
    own = ROOT / ".venv-node" / "bin" / "python"
    return [str(own if own.exists() else sys.executable), "-m", "machines.node"]


def run(command: list[str], environment: dict[str, str], *, given: str = "") -> str:
    """Run a command to its end, with what it is given on standard input, and return what it printed."""
    done = to_its_end(command, environment, given=given)
    if done.returncode != 0:
        raise DemoError(f"{' '.join(command[1:])} failed ({done.returncode}): {done.stderr.strip()[-2000:]}")
    return done.stdout


def to_its_end(command: list[str], environment: dict[str, str], *, given: str = "") -> subprocess.CompletedProcess[str]:
    """The same, whatever it ends with."""
    try:
        return subprocess.run(
            command, env=environment, input=given, capture_output=True, text=True, timeout=PATIENCE_S, check=False
        )
    except subprocess.TimeoutExpired as error:
        raise DemoError(f"{' '.join(command[1:])} did not end within {PATIENCE_S:.0f} s") from error


def run_until_it_works(command: list[str], environment: dict[str, str], patience_s: float = PATIENCE_S) -> str:
    """Run a command again and again, for what another process must first be ready for."""
    deadline = time.monotonic() + patience_s
    while True:
        try:
            return run(command, environment)
        except DemoError:
            if time.monotonic() > deadline:
                raise
            time.sleep(0.1)
