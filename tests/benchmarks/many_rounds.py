"""The measurements of `tests.benchmarks.many`, as JSON on standard output: the quickest of some, seconds."""
# ruff: noqa: E402 (Django wants to be set up before models are imported)

from __future__ import annotations

import json
import os
import sys
import time
from datetime import timedelta
from typing import Any

os.environ.setdefault("DJANGO_SETTINGS_MODULE", "server.settings")

import django

django.setup()

from django.core.management import call_command
from django.db import connection
from django.db.models import Model
from django.test import Client
from django.test.utils import CaptureQueriesContext, setup_test_environment

from scheduling.background.extend_plans import extend_plans
from scheduling.commands.enrol_node import enrol
from scheduling.log.models import Machine, Run, Segment
from scheduling.log.rows.row_sql import table
from server import wiring
from server.heavy import ANSWERS
from tests.scheduling.house import MOON, by, furnish, plan

LOOKS = 3
AHEAD, SEASON = timedelta(days=1), timedelta(days=180)


def main() -> None:
    call_command("migrate", verbosity=0)
    furnish(MOON)
    now = wiring.now()
    plan(starts_at=now.isoformat(), ends_at=(now + SEASON).isoformat())
    extend_plans(now, AHEAD, wiring.plates())
    setup_test_environment()
    enrol("one", by())
    found: dict[str, float] = {}
    there = 1
    for page, machines in (("overview", 10), ("season", 100), ("overview", 300), ("season", 1000)):
        _add(there, machines)
        there = machines
        found[f"{page} of {machines}"] = _quickest(f"/{page}")
    found["questions"] = _asked("/overview")
    sys.stdout.write(json.dumps(found))


def _add(there: int, machines: int) -> None:
    """So many are there then, each on a run like the first one's."""
    ids = [f"m-{number}" for number in range(there, machines)]
    _copied(Machine, [{"id": id, "name": id} for id in ids], id="one")
    _copied(Run, [{"id": f"run-{id}", "machine_id": id} for id in ids], id="first")
    _copied(Segment, [{"run_id": f"run-{id}"} for id in ids], run_id="first")


def _copied(of: type[Model], others: list[dict[str, Any]], **first: Any) -> None:
    rows = table(of, "default")
    patterns = [
        {name: value for name, value in vars(one).items() if name != "_state"} for one in of.objects.filter(**first)
    ]
    for place in range(0, len(others), 100):
        rows.write([rows.row(pattern | more) for more in others[place : place + 100] for pattern in patterns])


def _quickest(path: str) -> float:
    took = []
    for _ in range(LOOKS):
        ANSWERS.forget()
        began_s = time.process_time()
        _look(path)
        took.append(time.process_time() - began_s)
    return min(took)


def _asked(path: str) -> int:
    """How many questions to the database it is made of."""
    ANSWERS.forget()
    with CaptureQueriesContext(connection) as asked:
        _look(path)
    return len(asked)


def _look(path: str) -> None:
    answer = Client().get(path)
    assert answer.status_code == 200, answer.content


if __name__ == "__main__":
    main()
