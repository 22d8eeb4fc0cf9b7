"""A PostgreSQL that a test stops and starts, and another that follows it and is put in its place."""

from __future__ import annotations

import shutil
import tempfile
from collections.abc import Iterator
from contextlib import contextmanager, suppress
from dataclasses import dataclass
from pathlib import Path
from subprocess import CalledProcessError
from typing import Any

import psycopg

from tests.services import CAREFUL, PostgresServer, free_port, pgexec


@dataclass
class Cluster:
    """One PostgreSQL: its folder, its port, and how its programs are run."""

    data: Path
    port: int
    programs: dict[str, Any]

    @property
    def url(self) -> str:
        return f"postgresql://postgres:@127.0.0.1:{self.port}/postgres"

    def start(self) -> None:
        arguments = f"-h 127.0.0.1 -p {self.port} -k '' {CAREFUL}"
        self._ctl("start", "-o", arguments, "-l", str(self.data / "log"))

    def stop(self, mode: str) -> None:
        self._ctl("stop", "-m", mode)

    def promote(self) -> None:
        self._ctl("promote")

    def sql(self, *queries: str) -> list[tuple[Any, ...]]:
        """Rows of the last one."""
        with psycopg.connect(self.url, autocommit=True) as connection:
            for query in queries:
                found = connection.execute(query)
            return found.fetchall() if found.description else []

    def follower(self, data: Path) -> Cluster:
        """One that follows it by streaming; it runs."""
        port = free_port()
        source = ("-h", "127.0.0.1", "-p", str(self.port), "-U", "postgres")
        pgexec("pg_basebackup", (*source, "-D", str(data), "-R", "-X", "stream", "-c", "fast"), **self.programs)
        found = Cluster(data, port, self.programs)
        found.start()
        return found

    def _ctl(self, action: str, *options: str) -> None:
        pgexec("pg_ctl", ("-w", *options, "-D", str(self.data), action), **self.programs)


@contextmanager
def clusters() -> Iterator[tuple[Cluster, Path]]:
    """One that runs, and a folder for another; what runs at the end is ended."""
    folder = Path(tempfile.mkdtemp(prefix="dayroll-postgresql-"))
    data = folder / "first"
    data.mkdir()
    server = PostgresServer(data)
    server.ensure_pgdata_inited()
    if server.system_user is not None:
        shutil.chown(folder, server.system_user)
    programs = {"bin_path": server.bin_path, "user": server.system_user}
    one = Cluster(data, free_port(), programs)
    one.start()
    try:
        yield one, folder
    finally:
        for each in folder.iterdir():
            with suppress(CalledProcessError):  # it does not run
                Cluster(each, 0, programs).stop("immediate")
        shutil.rmtree(folder, ignore_errors=True)
