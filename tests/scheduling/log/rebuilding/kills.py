"""A rebuild killed without warning (SIGKILL) before every few of its statements, and each of the last, on the database
that the environment names.

Each time rows were tampered with before, and a process of its own folds the views again and kills itself. What is there
then must be the old rows or the right ones, in every table; in the end one that is not killed puts all right and leaves
nothing beside the live tables.

    python -m tests.scheduling.log.rebuilding.kills EVERY
"""
# ruff: noqa: E402 (Django wants to be set up before models are imported)

from __future__ import annotations

import json
import os
import signal
import sys
from typing import Any

os.environ.setdefault("DJANGO_SETTINGS_MODULE", "server.settings")

import django

django.setup()

from django.core.management import call_command
from django.db import connection, connections

from scheduling.log import models
from scheduling.log.projections import VIEWS
from scheduling.log.rebuilding import standing_sqlite
from scheduling.log.rebuilding.rebuild import rebuild
from tests.scheduling.log.facts import a_run_on_a_machine, cut, printed, say

RUNS = [view for view in VIEWS if view.name == "runs"]


def rows() -> dict[str, list[Any]]:
    """Every row of the view."""
    return {
        table._meta.db_table: list(table._default_manager.order_by("pk").values_list())
        for view in RUNS
        for table in view.tables
    }


def tamper() -> None:
    """As if the folds had been wrong."""
    models.Segment.objects.update(printed=49)
    models.Run.objects.update(printed=1234)


def beside() -> int:
    """How many tables stand beside the live ones."""
    question = (
        "SELECT count(*) FROM sqlite_master WHERE substr(name, 1, 6) = 'again_'"
        if connection.vendor == "sqlite"
        else "SELECT count(*) FROM pg_namespace WHERE starts_with(nspname, 'dayroll_again_')"
    )
    with connection.cursor() as cursor:
        cursor.execute(question)
        return int(cursor.fetchone()[0])


def rebuilt(kill_before: int | None) -> int:
    """Fold the view again in another process, which dies before a statement; how many it came to run."""
    connections.close_all()
    reading, writing = os.pipe()
    child = os.fork()
    if child == 0:
        os.close(reading)
        count = 0

        def run(execute: Any, *statement: Any) -> Any:
            nonlocal count
            count += 1
            if count == kill_before:
                os.kill(os.getpid(), signal.SIGKILL)
            return execute(*statement)

        try:
            with connection.execute_wrapper(run):
                rebuild(views=RUNS)
            os.write(writing, str(count).encode())
        finally:
            os._exit(0)
    os.close(writing)
    with os.fdopen(reading) as told:
        said = told.read()
    _, status = os.waitpid(child, 0)
    if os.WIFSIGNALED(status) != (kill_before is not None):
        raise AssertionError(f"the rebuild ended with {status}")
    return int(said or 0)


def main(every: int) -> dict[str, Any]:
    """Kill it again and again; what was found."""
    call_command("migrate", verbosity=0, skip_checks=True)
    standing_sqlite.PAUSE_S = 0.0
    a_run_on_a_machine(0, 1, 2, 3)
    say("machine/left", printed(1, 0, 30), printed(2, 30, 50), cut(3, 0))
    right, found = rows(), {"old": 0, "new": 0, "mixed": 0, "left": 0}
    for _ in range(2):  # the first time has something to write that is there later
        tamper()
        statements = rebuilt(None)
    for number in (*range(1, statements - 3, every), *range(statements - 3, statements + 1)):
        tamper()
        old = rows()
        rebuilt(number)
        there = rows()
        found["old" if there == old else "new" if there == right else "mixed"] += 1
        found["left"] += bool(beside())
    tamper()
    rebuilt(None)
    say("machine/left", printed(4, 50, 60))
    equal = rows()["log_strip"] == right["log_strip"] and all(one.equal for one in rebuild(swap=False))
    return found | {"equal": equal, "beside": beside()}


if __name__ == "__main__":
    json.dump(main(int(sys.argv[1])), sys.stdout)
