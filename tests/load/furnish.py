"""A studio with as many machines as are asked for, each on a run that is planned as far as a server plans: run by
itself, `python -m tests.load.furnish NODES VENUES BEGINS`, it prints as JSON how everybody comes in.

One run of each venue is planned as any is. The others of the venue are the same events under new names: what is
measured is how they are printed, not how they are ordered.
"""
# ruff: noqa: E402 (Django wants to be set up before models are imported)

from __future__ import annotations

import json
import os
import sys
from dataclasses import replace
from datetime import datetime, timedelta
from typing import Any

os.environ.setdefault("DJANGO_SETTINGS_MODULE", "server.settings")

import django

django.setup()

from django.conf import settings
from django.core.management import call_command

from machines.serialization import parse_instant
from scheduling.background.extend_plans import extend_plans
from scheduling.commands import handlers
from scheduling.log.events.plans import RunPlanned
from scheduling.log.recorded import Recorded
from scheduling.log.store import Append, Attribution, append, read
from server import wiring
from server.accounts.enrolment import make_code
from tests.scheduling.house import MOON, PROFILE, by, order, plan
from tests.server.keys import new_key

# A burst of four columns each seven minutes or so, a segment each half an hour, a cut each two hours.
MODEL: dict[str, Any] = PROFILE | {"name": "load", "columns_per_turn": 864}
STRIPS, LASTS = 12, timedelta(days=30)
MOST_LATITUDE, MOST_LONGITUDE = 60.0, 170.0
AT_ONCE = 10


def main(nodes: int, venues: int, begins: datetime) -> None:
    """Furnish, and say how to come in."""
    call_command("migrate", verbosity=0)
    order(handlers.AddProfile, id="load", profile=MODEL)
    order(handlers.AddSource, id="moon", name="The moon", picture=MOON)
    machines = {f"venue-{number}": _machines(number, nodes, venues) for number in range(venues)}
    for number, (venue, ids) in enumerate(machines.items()):
        _add(venue, number / max(1, venues - 1), ids)
        plan(
            id=f"run-{ids[0]}",
            machine=ids[0],
            source="moon",
            starts_at=begins.isoformat(),
            ends_at=(begins + LASTS).isoformat(),
            strips_per_turn=STRIPS,
        )
    now = wiring.now()
    extend_plans(now, timedelta(hours=settings.HORIZON_H), wiring.plates())
    for ids in machines.values():
        _copy(ids, by(at=now))
    codes = {id: make_code(id, by(at=now)).code for ids in machines.values() for id in ids}
    sys.stdout.write(json.dumps({"codes": codes, "venues": [*machines], "key": new_key("load")}))


def _machines(number: int, nodes: int, venues: int) -> list[str]:
    return [f"machine-{node}" for node in range(number, nodes, venues)]


def _add(venue: str, share: float, machines: list[str]) -> None:
    """A venue somewhere between south-west and north-east, and its machines."""
    order(
        handlers.AddVenue,
        id=venue,
        name=venue.replace("-", " ").capitalize(),
        latitude_degrees=MOST_LATITUDE * (2 * share - 1),
        longitude_degrees=MOST_LONGITUDE * (2 * share - 1),
        zone="Etc/UTC",
    )
    for id in machines:
        order(handlers.AddMachine, id=id, name=id.replace("-", " ").capitalize(), venue=venue, profile="load")


def _copy(machines: list[str], said: Attribution) -> None:
    """The run of the first machine is that of each other one, too."""
    first, others = machines[0], machines[1:]
    facts = [*read(streams=[f"run/run-{first}"])]
    for place in range(0, len(others), AT_ONCE):
        some = others[place : place + AT_ONCE]
        append([Append(f"run/run-{id}", 0, [_of(fact, id) for fact in facts]) for id in some], said)


def _of(fact: Recorded, machine: str) -> Any:
    return replace(fact.event, machine=machine) if isinstance(fact.event, RunPlanned) else fact.event


if __name__ == "__main__":
    main(int(sys.argv[1]), int(sys.argv[2]), parse_instant(sys.argv[3]))
