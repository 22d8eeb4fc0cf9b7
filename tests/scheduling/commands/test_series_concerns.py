"""A series of openings, looked at before it is kept: what speaks against each is what speaks against one by itself."""

from __future__ import annotations

from datetime import timedelta
from typing import Any

import pytest
from django.db import connection
from django.test.utils import CaptureQueriesContext

from scheduling.commands import handlers
from scheduling.commands.additions import FixOpening, FixOpeningSeries
from scheduling.commands.changes import Preview
from scheduling.commands.opening_series import as_ordered, change_series, preview_series
from scheduling.commands.openings import preview_opening
from scheduling.log.models import Event, Opening, OpeningSeries
from scheduling.planning.opening_hours import Hours, OpenSpan, Week
from tests.scheduling.house import NOON, by, furnish, order, plan, set_hours

pytestmark = pytest.mark.django_db
AT_NOON = {"civil": "2026-10-24T13:30", "zone": "Europe/Lisbon"}


def series(days: int = 3, **more: Any) -> FixOpeningSeries:
    """Doors on so many days at half past one by the clock of Lisbon, for two hours."""
    said = {"id": "days", "name": "Doors", "venues": ("shed",), "anchor": AT_NOON, "closing": {"duration": "PT2H"}}
    return FixOpeningSeries(**(said | {"rule": f"FREQ=DAILY;COUNT={days}"} | more))


def looked(days: int = 3, **more: Any) -> Preview:
    return preview_series(series(days, **more), NOON)


def alone(day: int) -> Preview:
    anchor = AT_NOON | {"civil": f"2026-10-{day}T13:30"}
    fixed = FixOpening(id="one", venue="shed", name="Doors", anchor=anchor, closing={"duration": "PT2H"})
    return preview_opening(fixed, NOON)


def test_what_speaks_against_each_stands_beside_it_as_it_does_of_one_alone() -> None:
    """The run lasts until six on the next evening."""
    furnish()
    plan()
    words = looked().in_words
    assert len(words) == 3
    for day, said in zip((24, 25, 26), words, strict=True):
        assert said.startswith(f"Doors opens 2026-10-{day} 13:30 at ")
        one = alone(day)
        assert all(warning.in_words in said for warning in one.warnings), said
    assert "One is on no run then." in words[2] and "no run" not in words[1]


def test_each_thing_is_asked_about_once() -> None:
    furnish()
    plan()
    before = Event.objects.count()
    found = {one.kind: one.in_words for one in looked(5).warnings}
    told = found["no-run"]
    assert told.startswith("3 of 5 openings, the first 2026-10-26 13:30 at ") and told.endswith("no run then.")
    assert len(looked(5).warnings) == len(found)
    assert looked(1).warnings == () or "openings" not in looked(1).warnings[0].in_words
    assert Event.objects.count() == before


def test_that_no_run_is_planned_at_all_is_said_once() -> None:
    furnish()
    found = looked(5)
    assert found.warnings == () and found.in_words[-1] == "No run is planned at One yet."
    assert " ".join(found.in_words).count("No run is planned") == 1
    assert [one for one in alone(24).in_words if "run" in one] == ["No run is planned at One yet."]


def test_of_one_alone_on_no_run_it_is_said_once() -> None:
    furnish()
    plan()
    one = alone(26)
    told = [*one.in_words, *(warning.in_words for warning in one.warnings)]
    assert [said for said in told if "no run" in said] == ["One is on no run then."]
    assert "One is on run first then." in alone(25).in_words


def test_closed_hours_are_told_beside_each_day() -> None:
    """24 October 2026 is a Saturday."""
    furnish()
    set_hours("shed", Hours(week=Week(sunday=(OpenSpan(opens="10:00", closes="18:00"),))), by())
    found = looked()
    assert [" is closed then, by its hours." in said for said in found.in_words[:3]] == [True, False, True]
    (closed,) = [one for one in found.warnings if one.kind == "closed"]
    assert closed.in_words.startswith("2 of 3 openings, the first 2026-10-24 13:30 at ")


def test_no_more_is_looked_at_than_takes_a_moment() -> None:
    furnish()
    plan()
    with CaptureQueriesContext(connection) as of_sixty:
        looked(60)
    with CaptureQueriesContext(connection) as of_more:
        found = looked(200)
    assert len(of_more) == len(of_sixty)
    told = "The last 140 openings are not held against what is printed then; each is on its own page, once it stands."
    assert found.in_words[-1] == told
    (no_run,) = [one for one in found.warnings if one.kind == "no-run"]
    assert no_run.in_words.startswith("58 of 200 openings, ")


def add_machines(first: int, end: int) -> None:
    for number in range(first, end):
        order(handlers.AddMachine, id=f"m{number}", name=f"Machine {number}", venue="shed", profile="small")


def test_where_more_machines_stand_fewer_are_looked_at() -> None:
    furnish()
    plan()
    add_machines(2, 3)
    assert looked(30).in_words[-1] == "No run is planned at Machine 2 yet."
    told = "The last 170 openings are not held against what is printed then; each is on its own page, once it stands."
    assert looked(200).in_words[-1] == told


def test_the_first_is_looked_at_whole_however_many_machines_stand_there() -> None:
    furnish()
    add_machines(2, 63)
    *_, last_machine, passed_over = looked(2).in_words
    assert last_machine == "No run is planned at One yet."
    assert passed_over.startswith("The last opening is not held against what is printed then; ")
    assert len(looked(1).in_words) == 1 + 62


def test_what_is_added_or_moved_is_looked_at_and_what_stays_is_not() -> None:
    furnish()
    plan()
    handlers.handle(series(2), by())
    row = OpeningSeries.objects.get()
    longer = change_series(row, series(4), NOON, 1).preview
    assert [said.endswith("One is on no run then.") for said in longer.in_words] == [True, True]
    assert [one.kind for one in longer.warnings if one.kind == "no-run"] == ["no-run"]
    named = change_series(row, series(2, name="Gates"), NOON, 1).preview
    assert named.fields and not named.warnings and "run" not in " ".join(named.in_words)
    assert not change_series(row, as_ordered(row), NOON, 1).preview.fields


def test_closed_hours_are_asked_about_only_of_what_opens_otherwise() -> None:
    furnish()
    set_hours("shed", Hours(week=Week(sunday=(OpenSpan(opens="10:00", closes="18:00"),))), by())
    handlers.handle(series(2), by())
    row = OpeningSeries.objects.get()
    longer = change_series(row, series(2, closing={"duration": "PT8H"}), NOON, 1).preview
    assert longer.fields and not longer.warnings and "closed then" not in " ".join(longer.in_words)
    later = change_series(row, series(2, anchor=AT_NOON | {"civil": "2026-10-24T14:30"}), NOON, 1).preview
    assert "closed" in [one.kind for one in later.warnings]


def test_one_that_lasts_longer_is_looked_at_again() -> None:
    furnish()
    plan()
    handlers.handle(series(2), by())
    row = OpeningSeries.objects.get()
    whole_evening = change_series(row, series(2, closing={"duration": "PT8H"}), NOON, 1).preview
    assert "before the doors close" in whole_evening.in_words[1]
    shorter = change_series(row, series(2, closing={"duration": "PT1H"}), NOON, 1).preview
    assert shorter.fields and not shorter.warnings
    assert Opening.objects.count() == 2 and NOON + timedelta(days=2) > Opening.objects.latest("opens_at").opens_at
