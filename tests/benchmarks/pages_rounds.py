"""The measurements of `tests.benchmarks.pages`, as JSON on standard output: the quickest of some, seconds."""
# ruff: noqa: E402 (Django wants to be set up before models are imported)

from __future__ import annotations

import html
import json
import os
import re
import sys
import time
from collections.abc import Callable
from datetime import timedelta

os.environ.setdefault("DJANGO_SETTINGS_MODULE", "server.settings")

import django

django.setup()

from django.conf import settings
from django.contrib.auth.models import User
from django.core.management import call_command
from django.test import Client
from django.test.utils import setup_test_environment

from scheduling.background.extend_plans import extend_plans
from scheduling.commands import handlers
from server import wiring
from server.heavy import ANSWERS
from tests.scheduling.house import furnish, order, plan

MACHINES, LOOKS = 100, 7
AHEAD = timedelta(hours=settings.HORIZON_H)


def main() -> None:
    call_command("migrate", verbosity=0)
    furnish()
    now, plates = wiring.now(), wiring.plates()
    span = {"starts_at": now.isoformat(), "ends_at": (now + timedelta(days=30)).isoformat()}
    for number in range(MACHINES):
        if number:
            order(handlers.AddMachine, id=f"m-{number}", name=f"Machine {number}", venue="shed", profile="small")
        plan(id=f"run-{number}", machine=f"m-{number}" if number else "one", **span)
    extend_plans(now, AHEAD, plates)
    setup_test_environment()
    client = Client()
    client.force_login(User.objects.create_superuser("robin"))
    # The address that the form itself begins with.
    (turn,) = re.findall(r'data-show="turn" src="([^"]+)"', client.get("/sources/new?kind=map").content.decode())
    turn = html.unescape(turn)
    found = {
        "wall-100": quickest(lambda: _opened(client, "/")),
        "draft-turn": quickest(lambda: _opened(client, turn)),
    }
    sys.stdout.write(json.dumps(found))


def quickest(look: Callable[[], None]) -> float:
    """Of some looks, each as if it was the first, the processor's time of the quickest, seconds."""
    took = []
    for _ in range(LOOKS):
        ANSWERS.forget()
        began_s = time.process_time()
        look()
        took.append(time.process_time() - began_s)
    return min(took)


def _opened(client: Client, address: str) -> None:
    answer = client.get(address)
    assert answer.status_code == 200, answer.content


if __name__ == "__main__":
    main()
