"""Writers killed without warning (SIGKILL) at random instants, on the database that the environment names.

Each round several processes append at once: a report of a machine of their own and, in the same transaction, a fact of
a venue that all have in common. After every append a writer tells the version and digest that it was given. Then all
are killed. What they had been told must be in the log, whole, and the views must be what the log says.

Or it is PostgreSQL that dies: one of its own processes is killed, upon which it drops every connection, throws its
memory away, and comes back from what it had written ahead.

    python -m tests.scheduling.log.kills ROUNDS SEED [writers | postgresql]
"""
# ruff: noqa: E402 (Django wants to be set up before models are imported)

from __future__ import annotations

import json
import os
import random
import signal
import sys
import time
from collections.abc import Iterator
from dataclasses import dataclass

os.environ.setdefault("DJANGO_SETTINGS_MODULE", "server.settings")

import django

django.setup()

from django.core.management import call_command
from django.db import OperationalError, connection, connections

from scheduling.log import models
from scheduling.log.event_records import EventRecord, scan
from scheduling.log.integrity.verify import verify
from scheduling.log.rebuilding.rebuild import rebuild
from scheduling.log.store import Append, append, last_position
from tests.scheduling.log.facts import a_run_on_a_machine, by, machine, printed, say, venue

WRITERS = 3
LONGEST_S = 0.25
FULL_CHECK_EVERY = 20


@dataclass(frozen=True)
class Acknowledged:
    """What a writer was told, and told us before it was killed."""

    stream: str
    version: int
    digest: str


def write(name: str, seq: int, out: int) -> None:
    """Append until killed."""
    while True:
        seq += 1
        first = seq % 150
        facts = append(
            [
                Append(f"machine/{name}", None, [printed(seq, first, first + 1)]),
                Append("venue/common", None, [venue(name=name)]),
            ],
            by(),
        )
        told = "".join(f"{fact.stream} {fact.version} {fact.digest}\n" for fact in facts)
        os.write(out, told.encode())  # less than PIPE_BUF: whole or not at all


def kill_writers(children: list[int], randomly: random.Random) -> None:
    """Kill all writers, in any order."""
    for child in randomly.sample(children, len(children)):
        os.kill(child, signal.SIGKILL)
    statuses = [os.waitpid(child, 0)[1] for child in children]
    if any(os.WTERMSIG(status) != signal.SIGKILL for status in statuses):
        raise AssertionError(f"a writer ended by itself: {statuses}")


def kill_postgresql(children: list[int], randomly: random.Random) -> None:
    """Kill the process of PostgreSQL that serves a writer; all writers lose it and end. Wait until it is back."""
    others = "SELECT pid FROM pg_stat_activity WHERE backend_type = 'client backend' AND pid <> pg_backend_pid()"
    with connection.cursor() as cursor:
        serving: list[int] = []
        while not serving:
            cursor.execute(others)
            serving = [pid for (pid,) in cursor.fetchall()]
    os.kill(randomly.choice(serving), signal.SIGKILL)
    for child in children:
        os.waitpid(child, 0)
    connection.close()
    for _ in range(1000):
        try:
            return connection.ensure_connection()
        except OperationalError:
            time.sleep(0.03)
    raise AssertionError("PostgreSQL did not come back")


VICTIMS = {"writers": kill_writers, "postgresql": kill_postgresql}


def one_round(randomly: random.Random, victim: str) -> list[Acknowledged]:
    """Let writers run for a random while, kill the victim, and return what they had been told."""
    connections.close_all()
    reading, writing = os.pipe()
    children = []
    for index in range(WRITERS):
        seq = _accepted(f"writer-{index}")
        connections.close_all()
        child = os.fork()
        if child == 0:
            os.close(reading)
            try:
                write(f"writer-{index}", seq, writing)
            except OperationalError:  # PostgreSQL is gone
                pass
            finally:
                os._exit(1)
        children.append(child)
    os.close(writing)
    time.sleep(randomly.uniform(0.02, LONGEST_S))
    VICTIMS[victim](children, randomly)
    with os.fdopen(reading) as told:
        return [Acknowledged(stream, int(version), digest) for stream, version, digest in map(str.split, told)]


def _accepted(name: str) -> int:
    return models.Machine.objects.get(id=name).accepted_through


def broken(acknowledged: list[Acknowledged], before: int) -> Iterator[str]:
    """What is wrong with the events that a round left."""
    lines = list(scan(after=before, using="default"))
    there = {(line.stream, line.version): line for line in lines}
    for one in acknowledged:
        line = there.get((one.stream, one.version))
        if line is None or line.digest != one.digest:
            yield f"acknowledged, and not there: {one}"
    if len(lines) % 2:
        yield f"half an append: {len(lines)} events"
    yield from _broken_pairs(lines)
    if [line.position for line in lines] != list(range(before + 1, before + 1 + len(lines))):
        yield "positions have holes"


def _broken_pairs(lines: list[EventRecord]) -> Iterator[str]:
    for report, fact in zip(lines[::2], lines[1::2], strict=False):
        if fact.stream != "venue/common" or not report.stream.endswith(json.loads(fact.data)["name"]):
            yield f"half an append at {report.position}"


def run(rounds: int, seed: int, victim: str) -> dict[str, object]:
    """So many rounds; what was measured, and what was found broken."""
    call_command("migrate", verbosity=0, skip_checks=True)
    a_run_on_a_machine(0, 1, 2, 3)
    for index in range(WRITERS):
        say(f"machine/writer-{index}", machine(name=f"Writer {index}"))
    randomly, found, acknowledged, silent = random.Random(seed), list[str](), 0, 0
    for number in range(1, rounds + 1):
        before = last_position()
        told = one_round(randomly, victim)
        acknowledged += len(told)
        silent += last_position() - before - len(told)
        found += [f"round {number}: {problem}" for problem in broken(told, before)]
        if number % FULL_CHECK_EVERY == 0 or number == rounds:
            verify()
            found += [f"round {number}: {one.view} differs" for one in rebuild(swap=False) if not one.equal]
            found += [f"round {number}: {one.view} is set aside" for one in models.BrokenView.objects.all()]
    return {
        "rounds": rounds,
        "events": last_position(),
        "acknowledged": acknowledged,
        "written_but_not_acknowledged": silent,
        "broken": found,
    }


if __name__ == "__main__":
    json.dump(run(int(sys.argv[1]), int(sys.argv[2]), *sys.argv[3:] or ["writers"]), sys.stdout)
