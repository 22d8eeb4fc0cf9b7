"""What the server of the demonstration is: one process tree with SQLite, or the parts of a fleet on a PostgreSQL, a
Redis and a store of objects that somebody started, as `docker/compose.yaml` has them. They share no folder."""

from __future__ import annotations

import sys
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from urllib.parse import unquote, urlsplit, urlunsplit

from machines.chance import SYSTEM
from machines.clock import CLOCK_VARIABLE, CompressedClock
from server.demo.processes import Child, DemoError, environment, free_port, run, wait_for_server
from server.demo.processes import server as embedded_server

ROLE = "dayroll_server"
# So that a board, which each has one of its own in a gallery, goes before what here shares its computer.
YIELDING = ["nice", "-n", "10", sys.executable, "-m"]
# Real seconds: the beat knows no other. Embedded, the loops go by the clock that is shown.
BEATS = {f"DAYROLL_{what}_EVERY_S": "1" for what in ("EXTEND", "WATCH", "TELL", "TIDY")}


@dataclass(frozen=True)
class Stores:
    """What a fleet stands on, each an address: a PostgreSQL, its user one who may make databases and roles; a Redis;
    and a bucket for plates and uploads, with its key and secret."""

    database: str
    broker: str
    objects: str


@dataclass
class Served:
    """The server, whatever it is made of.

    Attributes:
        children: its processes; those that answer calls are at the end.
        address, nodes_address: where pages and API, and where nodes are answered: they are two processes of a fleet.
        environment: of a command of the server.
        owner: of a command that makes or compares tables.
        stores: what it stands on where it is a fleet: its own database, and the broker.
    """

    children: Sequence[Child]
    address: str
    nodes_address: str
    environment: dict[str, str]
    owner: dict[str, str]
    stores: Stores | None = None

    def start(self) -> None:
        """Start it all, and wait until it answers."""
        for child in self.children:
            child.start()
        for address in {self.address, self.nodes_address}:
            wait_for_server(address, self.children[-1])

    def kill(self) -> None:
        """End it all without warning."""
        for child in self.children:
            child.kill()

    def stop(self) -> None:
        """Ask it all to end in order."""
        for child in self.children:
            child.stop()

    def require_alive(self) -> None:
        """Raise if one of it ended by itself."""
        for child in self.children:
            child.require_alive()

    def go_by(self, clock: CompressedClock) -> None:
        """Go by another clock from the next start on."""
        for own in (self.environment, self.owner, *(child.environment for child in self.children)):
            own[CLOCK_VARIABLE] = clock.as_text()


Making = Callable[[Path, CompressedClock, Mapping[str, str]], Served]


def embedded(folder: Path, clock: CompressedClock, settings: Mapping[str, str]) -> Served:
    """SQLite, no broker, one process tree.

    Args:
        folder: of the demonstration.
        clock: that it goes by.
        settings: of the server, as variables.
    """
    home, port = folder / "server", free_port()
    home.mkdir(parents=True, mode=0o700)
    address, own = f"http://127.0.0.1:{port}", environment(home, clock)
    return Served([embedded_server(home, clock, port, settings)], address, address, own, own)


def fleet(stores: Stores) -> Making:
    """Two processes that answer calls, one of them nodes, and who watches, draws and sends, each in one of its own."""

    def made(folder: Path, clock: CompressedClock, settings: Mapping[str, str]) -> Served:
        home, ports = folder / "server", (free_port(), free_port())
        home.mkdir(parents=True, mode=0o700)
        database = _new_database(stores.database)
        given = {**settings, **_bucket(folder, stores.objects), "DAYROLL_SECRET_KEY": SYSTEM.in_text(48)}
        owner = environment(home, clock, **given, DAYROLL_DATABASE=database)
        as_server = {**given, **BEATS, **_as_the_server(folder, database, owner), "DAYROLL_BROKER": stores.broker}
        own = environment(home, clock, **as_server)

        def part(name: str, *command: str) -> Child:
            at_home = environment(folder / "homes" / name, clock, **as_server)
            return Child(f"the {name}", [*YIELDING, *command], at_home, folder / f"{name}.log")

        def worker(name: str, queue: str) -> Child:
            return part(name, *_CELERY, "worker", "--concurrency=1", f"--queues={queue}", f"--hostname={name}@%h")

        def web(name: str, port: int) -> Child:
            return part(name, "server", "serve", "--web-only", f"--port={port}")

        beat = part("beat", *_CELERY, "beat", f"--schedule={folder / 'beat'}", "--pidfile=")
        workers = [worker("worker", "celery"), worker("drawer", "plates"), worker("sender", "messages")]
        webs = [web("web", ports[0]), web("nodes-web", ports[1])]
        address, nodes_address = (f"http://127.0.0.1:{port}" for port in ports)
        children = [beat, *workers, *webs]
        return Served(children, address, nodes_address, own, owner, Stores(database, stores.broker, stores.objects))

    return made


_CELERY = ("celery", "--app=server.celery", "--quiet")


def _new_database(address: str) -> str:
    """The address of a database of this demonstration's own; it is made, and stays for whoever looks at it."""
    from psycopg import Error, connect, sql  # only a fleet needs the library of PostgreSQL

    name = f"dayroll_demo_{SYSTEM.in_hex(4)}"
    try:
        with connect(address, autocommit=True) as connection:
            connection.execute(sql.SQL("CREATE DATABASE {}").format(sql.Identifier(name)))
    except Error as error:
        raise DemoError(f"no database could be made in the PostgreSQL that was named: {str(error).strip()}") from None
    return urlunsplit(urlsplit(address)._replace(path=f"/{name}"))


def _bucket(folder: Path, address: str) -> dict[str, str]:
    """How the bucket is told to a server: its secret stands in a file."""
    parts, secret = urlsplit(address), folder / "store-secret"
    secret.write_text(unquote(parts.password or ""))
    place = f"{parts.username}@{parts.netloc.rpartition('@')[2]}"
    return {"DAYROLL_STORE": urlunsplit(parts._replace(netloc=place)), "DAYROLL_STORE_PASSWORD_FILE": str(secret)}


def _as_the_server(folder: Path, database: str, owner: dict[str, str]) -> dict[str, str]:
    """Make the tables, and a role that can change or take away nothing of what is said; how one comes in as it."""
    secret = folder / "database-password"
    secret.write_text("demonstration")
    run([sys.executable, "-m", "server", "migrate", "--noinput"], owner)
    run([sys.executable, "-m", "server", "log", "role", ROLE, "--password-file", str(secret)], owner)
    parts = urlsplit(database)
    place = parts.netloc.rpartition("@")[2]
    return {
        "DAYROLL_DATABASE": urlunsplit(parts._replace(netloc=f"{ROLE}@{place}")),
        "DAYROLL_DATABASE_PASSWORD_FILE": str(secret),
    }
