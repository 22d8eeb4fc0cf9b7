"""Which part is due, and when."""

from __future__ import annotations

from datetime import datetime, timedelta
from pathlib import Path

import pytest

from scheduling.commands import handlers
from scheduling.log.models import Machine
from scheduling.queries.machine_context import machine_context
from scheduling.rendering.plate_store import PlateStore
from scheduling.supplies.due_changes import ChangesAhead, changes_ahead, part_asked_for, wants_part_at_hand
from scheduling.supplies.forecast import forecast
from scheduling.supplies.window_work import work_in_windows
from tests.scheduling.house import NOON, furnish, order, plan

pytestmark = pytest.mark.django_db
WEEK = timedelta(days=7)


@pytest.fixture(autouse=True)
def _a_roll_of_four_days_and_a_blade_of_two() -> None:
    furnish(
        media={"width_mm": 30.0, "caliper_mm": 0.1, "roll_m": 0.48},
        knife={"head_to_knife_mm": 10.0, "cuts_per_blade": 24},
    )
    plan(ends_at=(NOON + timedelta(days=20)).isoformat())


def ahead(plates: Path, now: datetime = NOON, within: timedelta = WEEK) -> ChangesAhead:
    seen = machine_context(Machine.objects.get(), NOON)
    return changes_ahead(forecast(seen, NOON, PlateStore(plates)), seen.at_venue, now, within)


def fix_rounds() -> None:
    comes = {"kind": "weekly", "weekday": "sunday", "begins": "10:00", "ends": "11:30"}
    order(handlers.FixServiceWindow, id="rounds", venue="shed", name="Rounds", comes=comes)


def test_without_a_window_a_part_is_due_as_it_ends(tmp_path: Path) -> None:
    blade, roll = ahead(tmp_path).due
    assert (blade.part, roll.part) == ("blade", "roll")
    assert (blade.at, blade.window) == (blade.end.at, None)
    assert blade.at < roll.at


def test_with_a_window_a_part_is_due_as_that_begins(tmp_path: Path) -> None:
    fix_rounds()
    blade, roll = ahead(tmp_path).due
    assert blade.window is not None and roll.window is not None
    window, until = blade.window
    assert (window.name, blade.at) == ("Rounds", window.starts_at)
    assert until <= min(window.ends_at, blade.end.at)


def test_a_part_that_ends_later_is_not_due(tmp_path: Path) -> None:
    found = ahead(tmp_path, within=timedelta(days=3))
    assert [one.part for one in found.due] == ["blade"]
    ((part, until),) = found.later
    assert part == "roll" and until is not None
    assert timedelta(days=3) < until - NOON < timedelta(days=5)


def test_a_forecast_of_a_while_ago_finds_the_windows_of_now(tmp_path: Path) -> None:
    fix_rounds()
    monday = datetime.fromisoformat("2026-10-26T12:00:00+00:00")
    assert [one.window for one in ahead(tmp_path, now=monday).due] == [None, None]


def test_work_stands_in_the_window_in_which_it_is_done() -> None:
    fix_rounds()
    work = work_in_windows([machine_context(Machine.objects.get(), NOON)])
    assert {span.name: [(part, one.id) for part, one in tasks] for span, tasks in work.items()} == {
        "Rounds": [("blade", "one"), ("roll", "one")]
    }


@pytest.mark.parametrize(
    ("keyword", "part", "at_hand"),
    [
        ("media-empty-error", "roll", False),
        ("marker-supply-empty-error", "cartridge", False),
        ("separation-cutter-life-over-warning", "blade", False),
        ("separation-cutter-life-almost-over-warning", None, True),
        ("media-low-warning", None, True),
        ("media-jam-error", None, False),
    ],
)
def test_some_conditions_ask_for_a_part(keyword: str, part: str | None, at_hand: bool) -> None:
    assert (part_asked_for(keyword), wants_part_at_hand(keyword)) == (part, at_hand)
