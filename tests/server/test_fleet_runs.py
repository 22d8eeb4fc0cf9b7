"""Every command of `docker/compose.yaml` is run as a process, with a real PostgreSQL and a real Redis, until it is
ready, and told to end: the commands of the file itself, with its variables, and its health checks.

Containers are not run: what the images are made of, and what confines them, is only read (`test_fleet.py`,
`test_images.py`). The images of PostgreSQL and Redis are in place of their packages.
"""

from __future__ import annotations

import json
import re
import subprocess
import tempfile
from collections.abc import Iterator
from contextlib import ExitStack
from pathlib import Path

import pytest
import urllib3

from server.own_work import ALLOWED, DRAWER
from tests.server.compose_file import DOCKER, SERVICES
from tests.server.fleet_here import PATIENCE_S, Here, Part, fleet_here, whole_command
from tests.server.serving.test_serve import ask
from tests.server.studio import MACHINE, PROFILE, VENUE
from tests.services import free_port

# What whoever starts the fleet says: everything often, so that all of it is done soon, and a log for machines to read.
SAID = {
    "DAYROLL_EXTEND_EVERY_S": "1",
    "DAYROLL_WATCH_EVERY_S": "1",
    "DAYROLL_TELL_EVERY_S": "1",
    "DAYROLL_POLL_AFTER_S": "1",
    "DAYROLL_TIDY_EVERY_S": "1",
    "DAYROLL_LOG": "json",
}
# What a worker and a beat say when they are at it.
READY = {"worker": " ready.", "drawer": " ready.", "sender": " ready.", "beat": "Sending due task"}


@pytest.fixture
def here() -> Iterator[Here]:
    """In a folder with a short name, as those of sockets may not be long."""
    with tempfile.TemporaryDirectory(prefix="fleet-") as folder, fleet_here(Path(folder), SAID) as here:
        yield here


def noted(holds: str) -> list[str]:
    """The words of a command in the file's comments, behind `docker compose ... run --rm NAME` or `exec NAME`."""
    (line,) = {
        line for line in (DOCKER / "compose.yaml").read_text().splitlines() if holds in line and "compose" in line
    }
    found = re.search(r"(?:run --rm|exec) (\w+) (.*)$", line)
    assert found is not None
    return [found[1], *found[2].split()]


def done(here: Here, name: str, words: list[str], port: int = 0, given: str = "") -> str:
    """A command beside the parts, to its end; what it said."""
    order = [here.placed(word, port) for word in words]
    where = here.surroundings(name, port)
    ended = subprocess.run(
        order,
        env=where,
        cwd=here.folder / "root",
        input=given,
        capture_output=True,
        text=True,
        timeout=PATIENCE_S,
        check=False,
    )
    assert ended.returncode == 0, ended.stdout + ended.stderr
    return ended.stdout


def start(here: Here, running: ExitStack) -> list[int]:
    """Start every part in the order in which they wait for each other; the ports of the two that answer."""
    assert here.is_well("database")
    assert not here.is_well("broker")
    broker = running.enter_context(here.part("broker", whole_command("broker")))
    here.wait_until_well(broker)
    with here.part("migrate", whole_command("migrate")) as migrate:
        assert migrate.process.wait(PATIENCE_S) == 0, migrate.all_said()
    ports = [free_port(), free_port()]
    for port in ports:
        assert not here.is_well("web", port)
    webs = [running.enter_context(here.part("web", whole_command("web"), port)) for port in ports]
    others = [running.enter_context(here.part(name, whole_command(name))) for name in READY]
    for web, port in zip(webs, ports, strict=True):
        here.wait_until_well(web, port)
    for other in others:
        here.wait_for_words(other, READY[other.name])
    return ports


def sign(here: Here) -> None:
    """What is noted for the owner of the tables, beside the parts."""
    for holds in ("dayroll log seal", "dayroll log key", "dayroll log head"):
        name, *words = noted(holds)
        assert name == "migrate"
        done(here, name, words)
    assert (here.folder / "var/lib/dayroll-keys/log-key.pem").exists()
    assert not (here.folder / "var/lib/dayroll/log-key.pem").exists()


def join(here: Here, port: int, key: str, running: ExitStack) -> Part:
    """Enrol the node as the file's comment says, and start it."""
    address = f"http://127.0.0.1:{port}/"
    for resource, body in (("venues", VENUE), ("profiles", PROFILE), ("machines", MACHINE)):
        assert ask(address, "POST", f"api/v1/{resource}", key, body)[0] == 201
    code = ask(address, "POST", f"api/v1/machines/{MACHINE['id']}/enrolment", key)[1]["code"]
    name, *words = noted("enrol --server")
    assert name == "node"
    done(here, name, ["dayroll-node", *words], port, given=f"{code}\n")
    return running.enter_context(here.part("node", whole_command("node"), port))


def scrape(port: int, key: str) -> str:
    heads = {"Authorization": f"Bearer {key}"}
    answer = urllib3.request("GET", f"http://127.0.0.1:{port}/metrics", headers=heads, timeout=20.0, retries=False)
    assert answer.status == 200
    return answer.data.decode()


@pytest.mark.postgres
def test_every_command_of_the_fleet_runs_until_it_is_ready_and_ends_when_it_is_told(here: Here) -> None:
    with ExitStack() as running:
        ports = start(here, running)
        name, *words = noted("studio-key first")
        key = done(here, name, words).strip()
        sign(here)
        node = join(here, ports[0], key, running)
        for port in ports:  # each of them tells the same of all
            here.wait_until(lambda port=port: "dayroll_machines_heard 1.0" in scrape(port, key))
        here.wait_until(lambda: all_done(here) >= {*ALLOWED, DRAWER})
        for port in ports:
            assert ask(f"http://127.0.0.1:{port}/", "GET", "readyz") == (200, b"ready\n")
        assert node.process.poll() is None
        assert {part.name for part in here.started} == {name for name, one in SERVICES.items() if "command" in one}
        for part in reversed([part for part in here.started if part.name != "migrate"]):
            assert part.end() == 0, part.all_said()
    ours = [part for part in here.started if part.name not in ("broker", "node")]
    for part in ours:
        assert "Traceback" not in part.all_said(), part.all_said()
    lines = [line for part in ours for line in part.erred.read_text().splitlines()]
    assert len(lines) > 20 and all("message" in json.loads(line) for line in lines)
    assert list((here.folder / "root").iterdir()) == [], "the root of a container cannot be written"


def all_done(here: Here) -> set[object]:
    """Which of the server's own work went well by now."""
    return {name for (name,) in here.rows("SELECT name FROM log_ownwork WHERE done_at IS NOT NULL")}
