"""`dayroll demo-data`: the demonstration's studio in a new server."""

from __future__ import annotations

import re
from datetime import UTC, datetime, timedelta
from io import StringIO
from typing import Any

import pytest
from django.core.management import call_command
from django.core.management.base import CommandError

from machines.errors import DayrollError
from scheduling.log.models import Event, Machine, Opening, Run, ServiceWindow, Source, Venue
from server.demo import furnishing, scenario
from server.terminal.management.commands import demo_data
from tests.server.studio import VENUE, Caller, HeldClock


def played(studio: Caller) -> str:
    out = StringIO()
    call_command("demo_data", stdout=out)
    return out.getvalue()


def test_a_new_server_has_the_studio_of_the_demonstration_from_now_on(studio: Caller, clock: HeldClock) -> None:
    clock.at = datetime(2027, 1, 5, 10, 7, tzinfo=UTC)
    said = played(studio)
    begins = datetime(2027, 1, 5, 10, 30, tzinfo=UTC)
    assert "3 runs from 2027-01-05 10:30 UTC on for four weeks" in said
    assert [one.objects.count() for one in (Venue, Machine, Source, ServiceWindow)] == [3, 3, 4, 3]
    assert all(venue.hours is not None for venue in Venue.objects.all())
    runs = list(Run.objects.all())
    assert len(runs) == 3
    assert all((run.starts_at, run.ends_at) == (begins, begins + timedelta(days=28)) for run in runs)
    assert len(re.findall(r"^  \S+ +[0-9A-Z]{4}-[0-9A-Z]{4}-[0-9A-Z]{4}$", said, re.MULTILINE)) == 3
    assert "each for one board, good until 2027-01-06 10:07 UTC:" in said
    opens = [row.opens_at for row in Opening.objects.order_by("opens_at")]
    assert len(opens) == 3 and begins + timedelta(days=3) < opens[0] < opens[-1] < begins + timedelta(days=7)


def test_a_server_with_a_studio_keeps_it(studio: Caller) -> None:
    studio.create("venues", VENUE)
    with pytest.raises(CommandError, match="has a studio already; give a new one a DAYROLL_HOME"):
        played(studio)
    assert Venue.objects.count() == 1


def test_all_of_it_is_there_or_nothing(studio: Caller, monkeypatch: pytest.MonkeyPatch) -> None:
    asked = demo_data.ask

    def refusing(method: str, address: str, *rest: Any, **query: Any) -> Any:
        if address == "runs":
            raise DayrollError("no runs today", "come again")
        return asked(method, address, *rest, **query)

    monkeypatch.setattr(demo_data, "ask", refusing)
    with pytest.raises(CommandError, match="no runs today"):
        played(studio)
    assert not Venue.objects.exists() and not Event.objects.filter(stream__startswith="venue/").exists()


def test_the_openings_keep_their_times_and_their_distance_in_days() -> None:
    moved = furnishing.openings_from(datetime(2027, 6, 1, tzinfo=UTC).date())
    assert set(moved) == set(scenario.OPENINGS)
    assert moved["evening-cut"]["anchor"]["date"] == "2027-06-01", "it was the first"
    assert moved["first-light"]["anchor"] == {"event": "sunrise", "date": "2027-06-02", "offset": "PT10M"}
    assert moved["lagoon-morning"]["anchor"]["civil"] == "2027-06-02T09:30:00"
