"""The measurements of `tests.benchmarks.past`, as JSON on standard output: processor's time, seconds."""
# ruff: noqa: E402 (Django wants to be set up before models are imported)

from __future__ import annotations

import json
import os
import sys
import time
from collections.abc import Iterator
from datetime import datetime, timedelta
from itertools import islice

os.environ.setdefault("DJANGO_SETTINGS_MODULE", "server.settings")

import django

django.setup()

from django.core.management import call_command

from machines.model.slots import boundaries
from machines.protocol.journal_entries import ColumnsPrinted, Entry, StripCut
from machines.recovery import Columns
from scheduling.background.extend_plans import extend_run
from scheduling.commands import handlers
from scheduling.log.models import Machine, Run, Segment
from scheduling.log.store import Append, append, stream_version
from scheduling.queries.machine_context import machine_context
from scheduling.rendering.plate_dots import dots_of_turn
from scheduling.rendering.plate_store import PlateStore
from scheduling.supplies.forecast import forecast
from server import wiring
from tests.scheduling.house import NOON, PROFILE, by, furnish, order, plan

YEARS = 5
AHEAD, LOOKS, AT_ONCE, STRIPS = timedelta(hours=192), 9, 2000, 4
HEAD = PROFILE["head"] | {"cartridge_ml": 40.0}


def main() -> None:
    """A machine on a new run, and one on a run of years."""
    call_command("migrate", verbosity=0)
    furnish({"kind": "map"}, head=HEAD)
    order(handlers.AddMachine, id="two", name="Two", venue="shed", profile="small")
    plates = wiring.plates()
    _print("new", "one", NOON - timedelta(days=1), plates)
    _print("old", "two", NOON - timedelta(days=365 * YEARS), plates)
    found = {"new": _quickest("one", plates), "old": _quickest("two", plates)}
    sys.stdout.write(json.dumps(found))


def _print(id: str, machine: str, starts_at: datetime, plates: PlateStore) -> None:
    """Plan a run, and have all of it reported that is due by noon."""
    ends_at = NOON + timedelta(days=30)
    plan(
        id=id,
        machine=machine,
        starts_at=starts_at.isoformat(),
        ends_at=ends_at.isoformat(),
        strips_per_turn=STRIPS,
        begins_in_the_past=True,
    )
    while extend_run(id, NOON, AHEAD, plates):
        pass
    stream, told = f"machine/{machine}", _entries(Run.objects.get(id=id))
    while entries := list(islice(told, AT_ONCE)):
        append([Append(stream, stream_version(stream), entries)], by())


def _entries(run: Run) -> Iterator[Entry]:
    """What its board would have told, a report a segment."""
    seq = 0
    for one in Segment.objects.filter(run_id=run.id, ends_at__lte=NOON).order_by("number"):
        seq += 1
        place, columns = one.first_column - run.first_column, Columns(first=one.first_column, end=one.end_column)
        yield ColumnsPrinted(
            seq=seq,
            at=one.ends_at,
            run=run.id,
            segment=one.number,
            columns=columns,
            columns_done=len(columns),
            paper_position=place,
            worst_miss_s=0.1,
        )
        for boundary in boundaries(columns.first, columns.end, PROFILE["columns_per_turn"], STRIPS):
            seq += 1
            place = boundary - run.first_column
            yield StripCut(
                seq=seq, at=one.ends_at, run=run.id, boundary=int(boundary), paper_position=int(place), made=True
            )


def _quickest(machine: str, plates: PlateStore) -> float:
    """Of some forecasts, each as if it was the first."""
    took = []
    for _ in range(LOOKS):
        dots_of_turn.cache_clear()
        began_s = time.process_time()
        found = forecast(machine_context(Machine.objects.get(id=machine), NOON), NOON, plates)
        took.append(time.process_time() - began_s)
        assert found.run is not None and found.cartridge is not None
    return min(took)


if __name__ == "__main__":
    main()
