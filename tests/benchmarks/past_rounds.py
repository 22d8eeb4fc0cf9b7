"""The measurements of `tests.benchmarks.past`, as JSON on standard output: processor's time, seconds."""
# ruff: noqa: E402 (Django wants to be set up before models are imported)

from __future__ import annotations

import json
import os
import sys
import time
from collections.abc import Iterable, Iterator
from datetime import datetime, timedelta

os.environ.setdefault("DJANGO_SETTINGS_MODULE", "server.settings")

import django

django.setup()

from django.core.management import call_command

from machines.model.slots import boundaries
from machines.protocol.journal_entries import ColumnsPrinted, Entry, StripCut
from machines.recovery import Columns
from machines.serialization import structure
from scheduling.background.extend_plans import extend_run
from scheduling.commands import handlers
from scheduling.log.models import Machine, Run, Segment
from scheduling.log.moment import AsOf
from scheduling.log.projecting.as_of import Page, machine_row_at, run_at, run_row_at, segments_at
from scheduling.log.projecting.take_snapshots import take_snapshots
from scheduling.log.store import Append, append, stream_version
from scheduling.queries.machine_context import machine_context
from scheduling.rendering.plate_dots import dots_of_turn
from scheduling.rendering.plate_store import PlateStore
from scheduling.supplies.forecast import forecast
from server import wiring
from tests.scheduling.house import NOON, PROFILE, by, furnish, run_order

YEARS = 5
DAY = timedelta(days=1)
AHEAD, LOOKS, STRIPS = timedelta(hours=192), 9, 4
# Of a list; and so many turns before the end of what is planned, which is some days after what was printed last.
PAGE, TURNS_AHEAD = 100, 9
HEAD = PROFILE["head"] | {"cartridge_ml": 40.0}


def main() -> None:
    """A machine on a new run, and one on a run of years."""
    call_command("migrate", verbosity=0)
    furnish({"kind": "map"}, head=HEAD)
    plates = wiring.plates()
    for run, machine, starts_at in (("new", "three", NOON - DAY), ("old", "two", NOON - 365 * YEARS * DAY)):
        added = structure({"id": machine, "name": machine, "venue": "shed", "profile": "small"}, handlers.AddMachine)
        handlers.handle(added, by(at=starts_at))
        _print(run, machine, starts_at, plates)
    take_snapshots()
    found = {"new": _quickest("three", plates), "old": _quickest("two", plates)}
    sys.stdout.write(json.dumps(found | {"new-state": _state("new", "three"), "old-state": _state("old", "two")}))


def _print(id: str, machine: str, starts_at: datetime, plates: PlateStore) -> None:
    """Plan a run, and day by day have planned what is due soon, and reported what was due until then."""
    ends_at = NOON + timedelta(days=30)
    said = run_order(
        id=id,
        machine=machine,
        starts_at=starts_at.isoformat(),
        ends_at=ends_at.isoformat(),
        strips_per_turn=STRIPS,
        begins_in_the_past=True,
    )
    handlers.handle(structure(said, handlers.PlanRun), by(at=starts_at))
    stream, seq, told, today = f"machine/{machine}", 0, -1, starts_at
    while today <= NOON:
        while extend_run(id, today, AHEAD, plates):
            pass
        due = list(Segment.objects.filter(run_id=id, number__gt=told, ends_at__lte=today).order_by("number"))
        if due:
            entries = list(_entries(Run.objects.get(id=id), due, seq))
            append([Append(stream, stream_version(stream), entries)], by(at=today))
            seq, told = seq + len(entries), due[-1].number
        today += DAY


def _entries(run: Run, due: Iterable[Segment], seq: int) -> Iterator[Entry]:
    """What its board would have told of some segments, a report of each."""
    for one in due:
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


def _state(run: str, machine: str) -> float:
    """Of some questions of how a run and its machine were, half way along and now."""
    began, took = Run.objects.get(id=run).starts_at, []
    for then in (began + (NOON - began) / 2, NOON):
        took.append(min(_asked(run, machine, AsOf(happened_by=then)) for _ in range(LOOKS)))
    return max(took)


def _asked(run: str, machine: str, moment: AsOf) -> float:
    """Of the rows of both, a page of the run's segments, and its state from the last turn on."""
    began_s = time.process_time()
    row, at_work = run_row_at(run, moment), machine_row_at(machine, moment)
    assert row is not None and at_work is not None
    segments = segments_at(run, moment, Page(count=PAGE))
    state = run_at(run, moment, from_column=row.planned_to_column - TURNS_AHEAD * PROFILE["columns_per_turn"])
    took_s = time.process_time() - began_s
    assert segments and state is not None and state.segments and state.run.printed == row.printed
    return took_s


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
