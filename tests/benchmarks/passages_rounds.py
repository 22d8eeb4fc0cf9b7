"""What `tests.benchmarks.passages` runs: prints the seconds that a year of a place took, the least of several times."""
# ruff: noqa: E402 (Django wants to be set up before models are imported)

from __future__ import annotations

import os
import time
from datetime import UTC, datetime

import django

os.environ.setdefault("DJANGO_SETTINGS_MODULE", "server.settings")
django.setup()

from machines.model.profile import Profile
from machines.serialization import structure
from scheduling.log.models import Run
from scheduling.paper.next_passage import OnRun
from scheduling.paper.passage_times import passage_times
from scheduling.planning.timeline import Timeline
from scheduling.sky import cycles
from scheduling.sky.zones import zone
from tests.scheduling.house import PROFILE

START, DAYS = datetime(2026, 1, 1, tzinfo=UTC), 365
# A place within a column, and how often it is timed.
PHASE, RUNS = 0.25009, 99
TO_A_MILLISECOND = 0.001


def a_machine_year() -> OnRun:
    """A run of a year and a week on the apparent solar day: 5,000 columns and twelve strips a turn."""
    profile = structure(PROFILE | {"columns_per_turn": 5000, "mm_per_turn": 1000.0}, Profile)
    timeline = Timeline(cycles.get("apparent-solar-day"), profile.columns_per_turn, 48)
    first = timeline.first_column_from(START.timestamp())
    run = Run(id="year", machine_id="one", cycle="apparent-solar-day", strips_per_turn=12, starts_at=START)
    run.first_column, run.end_column = first, first + (DAYS + 7) * profile.columns_per_turn
    return OnRun(run, profile, timeline, zone("Europe/Lisbon"), None)


def agree(on: OnRun) -> None:
    """The times at once, held against the times told one by one."""
    found = passage_times(on, PHASE, START, DAYS)
    assert len(found.columns) == DAYS
    for at, column in enumerate(found.columns.tolist()):
        told = (on.span(column), on.at_knife(column), on.cut_off(column))
        for span, times in zip(told, (found.laid, found.at_knife, found.cut_off), strict=True):
            assert span is not None
            assert abs(span.begins_at.timestamp() - times[0, at]) < TO_A_MILLISECOND
            assert abs(span.ends_at.timestamp() - times[1, at]) < TO_A_MILLISECOND


def least_s(on: OnRun) -> float:
    """The least of several times, seconds."""
    took = []
    for _ in range(RUNS):
        start = time.perf_counter()
        passage_times(on, PHASE, START, DAYS)
        took.append(time.perf_counter() - start)
    return min(took)


if __name__ == "__main__":
    year = a_machine_year()
    agree(year)
    print(least_s(year))
