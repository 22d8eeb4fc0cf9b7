"""The server that is attacked: started here, on loopback, with a folder of its own, and furnished as in the tests."""

from __future__ import annotations

import json
import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from datetime import datetime, timedelta
from pathlib import Path
from typing import Any

from machines.clock import CompressedClock
from machines.protocol.messages import Work
from machines.recovery import Rule
from scheduling.background.extend_plans import PLANNER
from scheduling.background.watch_silence import WATCH
from server.api.pagination import MOST_ROWS, encode
from tests.attack.remote import Remote, Wire
from tests.server.api.test_hours import HOURS
from tests.server.api.test_override import settled
from tests.server.processes import process, run, wait_for_line
from tests.server.studio import BEGINS, FAR_VENUE, IN_ORDER, MACHINE, RUN, SERVICE_WINDOW, Caller

# Its day begins here, and goes on here once everything is there: a run is under way, and an outage is open.
LATER = BEGINS + timedelta(hours=9)
WAITED_FOR_S = 60.0
# What the server writes by itself: what its jobs find, and that it refused a report.
JOBS, OF_ITSELF = (PLANNER, WATCH), ("reports-refused",)


class NotFurnished(Exception):
    """The server did not take what it needs to be attacked."""


@dataclass(frozen=True)
class Target:
    """A server that runs.

    Attributes:
        port: on loopback.
        pid: of its process.
        log: what it says.
        studio: somebody of the studio.
        honest: the node of wren-1, whose run is under way.
        other: the node of wren-2 at another venue, whose token is in the wrong hands.
        keys: callers by the name of what they come with.
    """

    port: int
    pid: int
    log: Path
    studio: Remote
    honest: Remote
    other: Remote
    keys: dict[str, Remote]

    @property
    def wire(self) -> Wire:
        """Nobody, who asks anything."""
        return Wire(self.port, patience_s=self.studio.patience_s)

    @property
    def nobody(self) -> Remote:
        """Nobody, who asks the API."""
        return Remote(port=self.port, patience_s=self.studio.patience_s)


def events_after(studio: Caller, position: int) -> list[dict[str, Any]]:
    """Every event at a later place of the log, however many there are; 0 is before the first."""
    found: list[dict[str, Any]] = []
    cursor = encode(position)
    while cursor is not None:
        page = json.loads(studio.get(f"events?limit={MOST_ROWS}&cursor={cursor}").content)
        found += page["results"]
        cursor = page["next"]
    return found


def last_position(studio: Caller) -> int:
    """The place of the newest event; `written_since` begins after it."""
    return max((int(one["position"]) for one in events_after(studio, 0)), default=0)


def written_since(studio: Caller, position: int) -> list[str]:
    """What was written after a place by anybody but the server itself, whose jobs go on meanwhile."""
    return [
        f"{one['kind']} in {one['stream']} by {one['actor']}"
        for one in events_after(studio, position)
        if one["actor"] not in JOBS and one["kind"] not in OF_ITSELF
    ]


@contextmanager
def target(folder: Path, patience_s: float) -> Iterator[Target]:
    """A server with a studio, two venues, two machines with their nodes, and a key of each role.

    Args:
        folder: for its own folder and its log.
        patience_s: how long an answer is waited for.
    """
    home = folder / "home"
    with _serving(folder, home, BEGINS) as (port, _, environment):
        made = _furnish(port, environment)
    with _serving(folder, home, LATER) as (port, pid, _):
        callers = {name: Remote(token, port=port, patience_s=patience_s) for name, token in made.items()}
        studio, honest = callers["studio"], callers["node of wren-1"]
        _open_an_outage(honest, studio)
        yield Target(port, pid, folder / "log", studio, honest, callers["node of wren-2"], callers)


@contextmanager
def _serving(folder: Path, home: Path, begins: datetime) -> Iterator[tuple[int, int, dict[str, str]]]:
    clock = CompressedClock(time.clock_gettime(time.CLOCK_BOOTTIME), begins.timestamp(), 1.0)
    environment = {"DAYROLL_HOME": str(home), "DAYROLL_CLOCK": clock.as_text(), "DAYROLL_EXTEND_EVERY_S": "1"}
    with process(["-m", "server", "serve", "--port", "0"], environment, folder / "log") as child:
        line = wait_for_line(child, folder / "log", "Dayroll is at")
        yield int(line.split()[-1].rstrip("/").rpartition(":")[2]), child.pid, environment


def _furnish(port: int, environment: dict[str, str]) -> dict[str, str]:
    """Tokens of everybody, by name."""
    studio = Remote(_key(["studio-key", "attack"], environment), port=port)
    for resource, body in IN_ORDER:
        _create(studio, resource, body)
    _create(studio, "venues", FAR_VENUE)
    _create(studio, "machines", MACHINE | {"id": "wren-2", "venue": "shed"})
    _create(studio, "runs", RUN | {"id": "far", "machine": "wren-2"})
    _create(studio, "service-windows", SERVICE_WINDOW)
    studio.put("venues/quay/hours?accept=true", HOURS)
    made = {"studio": studio.token or ""}
    for name, options in (
        ("curator", ["--role", "curator"]),
        ("curator of the shed", ["--role", "curator", "--venue", "shed"]),
        ("reader", ["--role", "reader"]),
        ("revoked", ["--role", "reader"]),
    ):
        made[name] = _key(["key", "make", name.replace(" ", "-"), *options], environment)
    _key(["key", "revoke", "revoked"], environment)
    for machine in ("wren-1", "wren-2"):
        code = studio.post(f"machines/{machine}/enrolment").json()["code"]
        made[f"node of {machine}"] = Remote(port=port).post("node/enrol", {"code": code}).json()["token"]
    _wait_until("the runs are planned", lambda: _are_planned(studio))
    return made | {"garbage": made["reader"][:-1] + ("A" if made["reader"][-1] != "A" else "B")}


def _key(command: list[str], environment: dict[str, str]) -> str:
    done = run(command, environment)
    if done.returncode:
        raise NotFurnished(f"{command}: {done.stderr}")
    return done.stdout.strip().splitlines()[-1] if done.stdout.strip() else ""


def _create(studio: Remote, resource: str, body: Any) -> None:
    answer = studio.post(resource, body)
    if answer.status_code != 201:
        raise NotFurnished(f"{resource}: {answer.content!r}")


def _are_planned(studio: Remote) -> bool:
    return all(studio.get(f"runs/{run}/segments?limit=1").json()["results"] for run in ("spring", "far"))


def wait_until_heard(target: Target) -> None:
    """Let the honest node speak, and the server's watch say that the machine is silent no more: what it says only now
    and then is not taken for what somebody else did.

    Raises:
        NotFurnished: it does not say so.
    """
    target.honest.get("node/work")
    machine = "machines/wren-1"
    _wait_until("its node is heard", lambda: target.studio.get(machine).json()["silent_since"] is None)


def _wait_until(what: str, holds: Callable[[], bool]) -> None:
    deadline = time.monotonic() + WAITED_FOR_S
    while not holds():
        if time.monotonic() > deadline:
            raise NotFurnished(f"not in time: {what}")
        time.sleep(0.2)


def _open_an_outage(node: Remote, studio: Remote) -> None:
    """The honest node missed something and prints it late, so that there is something to decide."""
    work = Work.from_json(node.get("node/work?horizon=PT24H").json())
    entry = settled(work, 1, LATER, Rule(kind="replay"))
    answer = node.post("node/reports", {"epoch": 1, "entries": [entry]})
    if answer.status_code != 200 or not studio.get("outages").json()["results"]:
        raise NotFurnished(f"an outage: {answer.content!r}")
