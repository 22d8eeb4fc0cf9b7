"""`dayroll serve`: the embedded default."""

from __future__ import annotations

import signal
import threading
from argparse import ArgumentParser, ArgumentTypeError
from collections.abc import Iterator
from contextlib import contextmanager, nullcontext
from typing import Any, NoReturn

from django.core.management import call_command
from django.core.management.base import CommandError

from server import wiring
from server.heavy import LEAST_THREADS
from server.jobs import SENDING, WATCHING, drawing, run_loop
from server.own_work import draws_itself, listen_until
from server.own_work import listen as say_that_it_listens
from server.serving.listening import listen
from server.terminal.own_name import own_name
from server.terminal_command import TerminalCommand
from server.wsgi import application

MOST_THREADS = 256
FIRST_STEPS = """\
Dayroll is at {address}
  the API        {address}api/v1/reference
  a studio key   {dayroll} studio-key NAME
  a person       {dayroll} person make NAME --role studio   (signing in is needed only to change something on the pages)
Stop it with Ctrl-C."""


class Command(TerminalCommand):
    help = "Serve the API and the pages and run the background jobs, in one process; migrates the database first."
    example = "serve --host 0.0.0.0 --port 8000"
    requires_system_checks: list[str] = []  # noqa: RUF012 - checked below, after migrating, with the database's own

    def add_arguments(self, parser: ArgumentParser) -> None:
        parser.add_argument("--host", default="127.0.0.1", help="address to listen on (default: this machine only)")
        parser.add_argument("--port", type=_port, default=8000, help="0 takes a free one")
        parser.add_argument("--threads", type=_threads, default=8, help="requests answered at a time, but for nodes'")
        parser.add_argument(
            "--nodes-threads", type=_nodes_threads, default=4, help="nodes' requests answered at a time"
        )
        parser.add_argument(
            "--web-only",
            action="store_true",
            help="neither migrate nor run jobs: a fleet has processes of their own for both",
        )

    def handle(self, *args: Any, **options: Any) -> None:
        if not options["web_only"]:
            call_command("migrate", interactive=False, verbosity=0)
        self.check(databases=["default"])
        server = _listen(options["host"], options["port"], options["threads"], options["nodes_threads"])
        signal.signal(signal.SIGTERM, _leave)
        with _said_to_listen(), nullcontext() if options["web_only"] else _jobs_beside():
            self.stdout.write(FIRST_STEPS.format(address=_address(options["host"], server), dayroll=own_name()))
            self.stdout.flush()
            server.run()  # returns when SIGTERM or Ctrl-C has come and the requests under way are answered


def _port(text: str) -> int:
    port = int(text)
    if not 0 <= port <= 65535:
        raise ArgumentTypeError(f"{port} is no port: give 0 to 65535")
    return port


def _threads(text: str) -> int:
    threads = int(text)
    if not LEAST_THREADS <= threads <= MOST_THREADS:
        why = "one is left for what is light while the others make what is costly"
        raise ArgumentTypeError(f"{threads} threads: give {LEAST_THREADS} to {MOST_THREADS}, as {why}")
    return threads


def _nodes_threads(text: str) -> int:
    threads = int(text)
    if not 1 <= threads <= MOST_THREADS:
        raise ArgumentTypeError(f"{threads} threads: give 1 to {MOST_THREADS}")
    return threads


def _listen(host: str, port: int, threads: int, nodes_threads: int) -> Any:
    try:
        return listen(application, host, port, threads, nodes_threads)
    except (OSError, ValueError) as error:
        remedy = "give another --host or --port; --port 0 takes a free one"
        raise CommandError(f"cannot listen on {host} port {port}: {error}; {remedy}") from error


def _address(host: str, server: Any) -> str:
    return f"http://{'localhost' if host in ('0.0.0.0', '::') else host}:{server.effective_port}/"


def _leave(signal_number: int, frame: Any) -> NoReturn:
    raise SystemExit(0)


@contextmanager
def _said_to_listen() -> Iterator[None]:
    """For as long as this serves, it says so to whoever watches for silent boards, in whatever process."""
    say_that_it_listens()
    stop = threading.Event()
    saying = threading.Thread(target=listen_until, args=(stop,), name="listening", daemon=True)
    saying.start()
    try:
        yield
    finally:
        stop.set()
        saying.join()


@contextmanager
def _jobs_beside() -> Iterator[None]:
    """A loop of each kind of jobs in a thread of its own. At the end those that plan and watch finish what they are at;
    for the one that sends nobody waits: what it was at is sent again."""
    draws_itself()
    stop, clock = threading.Event(), wiring.clock()
    loops = [
        threading.Thread(target=run_loop, args=(kind, clock, stop), name=name, daemon=kind is SENDING)
        for name, kind in (("drawing", drawing()), ("watching", WATCHING), ("sending", SENDING))
    ]
    for loop in loops:
        loop.start()
    try:
        yield
    finally:
        stop.set()
        for loop in loops:
            if not loop.daemon:
                loop.join()
