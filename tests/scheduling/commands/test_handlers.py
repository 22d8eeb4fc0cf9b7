"""Commands are checked whole before anything is written."""

from __future__ import annotations

import threading
from collections.abc import Callable
from datetime import timedelta
from pathlib import Path
from typing import Any

import pytest
from django.db import connection

from machines.errors import InputError
from machines.serialization import structure
from scheduling.commands import handlers
from scheduling.commands.plan_run import require_begins_ahead
from scheduling.log.integrity.archive import close_streams
from scheduling.log.models import Event, Opening, Run, Source, Venue
from tests.scheduling.house import NOON, PROFILE, by, furnish, order, plan

pytestmark = pytest.mark.django_db
VENUE: dict[str, Any] = {
    "id": "loft",
    "name": "Loft",
    "latitude_degrees": 47.6,
    "longitude_degrees": -52.7,
    "zone": "America/St_Johns",
}


def test_a_venue_is_what_was_said_of_it() -> None:
    order(handlers.AddVenue, **VENUE)
    row = Venue.objects.get(id="loft")
    assert (row.name, row.zone, row.elevation_m) == ("Loft", "America/St_Johns", 0.0)


def test_an_id_is_taken_once() -> None:
    order(handlers.AddVenue, **VENUE)
    with pytest.raises(handlers.IdInUse, match="there is a venue 'loft' already"):
        order(handlers.AddVenue, **(VENUE | {"name": "Another"}))
    assert Venue.objects.get(id="loft").name == "Loft"


@pytest.mark.parametrize(
    ("change", "field"),
    [
        ({"id": "Loft"}, "id"),
        ({"id": ""}, "id"),
        ({"id": "-loft"}, "id"),
        ({"name": "  "}, "name"),
        ({"latitude_degrees": 91}, "latitude_degrees"),
        ({"longitude_degrees": "west"}, "longitude_degrees"),
        ({"longitude_degrees": 181}, "longitude_degrees"),
        ({"elevation_m": 1e9}, "elevation_m"),
        ({"zone": "Europe/Atlantis"}, "zone"),
        ({"zone": "+03:00"}, "zone"),
        ({"colour": "blue"}, "colour"),
    ],
)
def test_a_bad_venue_names_the_field_and_writes_nothing(change: dict[str, Any], field: str) -> None:
    with pytest.raises(InputError) as caught:
        order(handlers.AddVenue, **(VENUE | change))
    assert caught.value.field == field
    assert caught.value.remedy
    assert not Event.objects.exists()


def test_the_log_keeps_a_picture_with_its_defaults_filled_in() -> None:
    order(handlers.AddSource, id="belt", name="Belt", picture={"kind": "stars"})
    assert Source.objects.get(id="belt").picture["faintest_magnitude"] == 6


@pytest.mark.parametrize(
    ("picture", "field"),
    [
        ({"kind": "hologram"}, "picture.kind"),
        ({}, "picture.kind"),
        ({"kind": "moon", "diameter_mm": -3}, "picture.diameter_mm"),
        ({"kind": "map", "projection": "conic"}, "picture.projection"),
    ],
)
def test_a_bad_picture_names_the_field(picture: dict[str, Any], field: str) -> None:
    with pytest.raises(InputError) as caught:
        order(handlers.AddSource, id="s", name="S", picture=picture)
    assert caught.value.field == field


def test_a_run_becomes_whole_columns() -> None:
    furnish()
    plan()
    run = Run.objects.get(id="first")
    assert run.end_column - run.first_column == pytest.approx(240 * 30 / 24, abs=1)
    assert run.planned_to_column == run.first_column
    assert run.mean_turn_s == 86_400.0


@pytest.mark.parametrize(
    ("change", "field"),
    [
        ({"machine": "nobody"}, "machine"),
        ({"source": "nothing"}, "source"),
        ({"cycle": "fortnight"}, "cycle"),
        ({"cycle": "period"}, "cycle_options"),
        ({"cycle": "period", "cycle_options": {"seconds": 3600, "epoch": "noon"}}, "cycle_options.epoch"),
        ({"cycle_options": {"seconds": 3.0}}, "cycle_options"),
        ({"ends_at": NOON.isoformat()}, "ends_at"),
        ({"ends_at": (NOON + timedelta(seconds=1)).isoformat(), "starts_at": NOON.isoformat()}, "ends_at"),
        ({"starts_at": "2026-10-24T12:00:00"}, "starts_at"),
        ({"starts_at": "2160-01-01T00:00:00Z", "ends_at": "2160-01-02T00:00:00Z"}, "starts_at"),
        ({"starts_at": "2040-01-01T00:00:00Z", "ends_at": "2160-01-02T00:00:00Z"}, "ends_at"),
        ({"cycle": "temporal-hours", "cycle_options": {"place": "here"}}, "cycle_options"),
        ({"policy": {"kind": "hope"}}, "policy.kind"),
        ({"segments_per_turn": 241}, "segments_per_turn"),
        ({"segments_per_turn": 0}, "segments_per_turn"),
        ({"strips_per_turn": 241}, "strips_per_turn"),
    ],
)
def test_a_bad_run_names_the_field_and_writes_nothing(change: dict[str, Any], field: str) -> None:
    furnish()
    with pytest.raises(InputError) as caught:
        plan(**change)
    assert caught.value.field == field
    assert not Run.objects.exists()


def test_a_run_by_temporal_hours_needs_a_sunrise_on_every_day_of_it() -> None:
    """At 70 degrees north the Sun stays up from May to July (from memory): not at either end, but in the middle."""
    furnish()
    far_north = {"latitude_degrees": 70.0, "longitude_degrees": 20.0, "zone": "Europe/Oslo"}
    order(handlers.AddVenue, id="far-north", name="Far north", **far_north)
    order(handlers.AddMachine, id="two", name="Two", venue="far-north", profile="small")
    spring = {"machine": "two", "cycle": "temporal-hours", "starts_at": "2027-04-01T00:00:00Z"}
    with pytest.raises(InputError, match=r"neither rises nor sets between 2027-05-1. and 2027-07-2.") as caught:
        plan(**spring, ends_at="2027-09-01T00:00:00Z")
    assert caught.value.field == "cycle"
    plan(**spring, ends_at="2027-05-01T00:00:00Z")


def test_a_machine_is_on_one_run_at_a_time() -> None:
    furnish()
    plan()
    with pytest.raises(InputError, match="the machine is on run 'first'"):
        plan(id="second", starts_at=(NOON + timedelta(hours=29)).isoformat())
    plan(
        id="third",
        starts_at=(NOON + timedelta(hours=30)).isoformat(),
        ends_at=(NOON + timedelta(hours=40)).isoformat(),
    )
    assert Run.objects.count() == 2


def test_strips_need_a_knife() -> None:
    furnish(knife=None)
    with pytest.raises(InputError, match="the machine has no knife"):
        plan()
    plan(strips_per_turn=0)


def test_a_machine_slower_than_the_sky_is_refused() -> None:
    furnish(highest_mm_per_hour=1.0)
    with pytest.raises(InputError, match="a turn takes 5 mm/h and the machine prints 1"):
        plan()


def test_a_profile_error_names_the_nested_field() -> None:
    with pytest.raises(InputError) as caught:
        order(handlers.AddProfile, id="p", profile=PROFILE | {"head": PROFILE["head"] | {"passes": 9}})
    assert caught.value.field == "profile.head.passes"


def test_an_opening_by_the_sky_is_an_instant() -> None:
    furnish()
    anchor = {"event": "sunset", "date": "2026-10-25", "offset": "-PT40M"}
    order(handlers.FixOpening, id="dusk", venue="shed", name="Dusk", anchor=anchor)
    # Lisbon's sunset on 25 October 2026 is near 17:45 UTC, by the almanac of this project (tests/reference judges it).
    opens_at = Opening.objects.get(id="dusk").opens_at
    assert (opens_at.date().isoformat(), opens_at.hour) == ("2026-10-25", 17)


def test_a_local_time_that_comes_twice_is_refused_with_both_readings() -> None:
    furnish()
    anchor = {"civil": "2026-10-25T01:30:00", "zone": "Europe/Lisbon"}
    with pytest.raises(InputError) as caught:
        order(handlers.FixOpening, id="twice", venue="shed", name="Twice", anchor=anchor)
    assert caught.value.field.startswith("anchor")
    assert not Opening.objects.exists()
    order(handlers.FixOpening, id="twice", venue="shed", name="Twice", anchor=anchor | {"which": "later"})
    assert Opening.objects.get(id="twice").opens_at.isoformat() == "2026-10-25T01:30:00+00:00"


def test_who_said_it_stands_in_the_log() -> None:
    handlers.handle(structure(VENUE, handlers.AddVenue), by("key-7"))
    event = Event.objects.get()
    assert (event.stream, event.version, event.actor, event.kind) == ("venue/loft", 1, "key-7", "venue-added")


@pytest.mark.django_db(transaction=True)
def test_of_two_runs_planned_at_once_on_a_machine_one_is_refused() -> None:
    furnish()
    outcomes: list[str] = []
    barrier = threading.Barrier(2)

    def planner(id: str) -> None:
        barrier.wait()
        try:
            plan(id=id)
            outcomes.append("planned")
        except InputError as error:
            outcomes.append(error.field)
        finally:
            connection.close()

    threads = [threading.Thread(target=planner, args=(id,)) for id in ("left", "right")]
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join()
    assert sorted(outcomes) == ["planned", "starts_at"]
    assert Run.objects.count() == 1


def meanwhile(monkeypatch: pytest.MonkeyPatch, other: Callable[[], object]) -> None:
    """Between the check of a run and the moment from which nobody else can append, somebody else is done."""

    def held_up(*asked: Any) -> None:
        monkeypatch.undo()
        other()
        require_begins_ahead(*asked)

    monkeypatch.setattr(handlers, "require_begins_ahead", held_up)


def test_a_run_that_came_in_between_holds_the_machine(monkeypatch: pytest.MonkeyPatch) -> None:
    furnish()
    meanwhile(monkeypatch, lambda: plan(id="other"))
    with pytest.raises(InputError, match="the machine is on run 'other'"):
        plan()
    assert [run.id for run in Run.objects.all()] == ["other"]


def test_the_same_order_that_came_in_between_is_the_one_that_counts(monkeypatch: pytest.MonkeyPatch) -> None:
    furnish()
    meanwhile(monkeypatch, plan)
    plan()
    assert Event.objects.filter(stream="run/first").count() == 1


def test_an_order_that_was_carried_out_when_it_was_looked_at_and_is_closed_since_is_refused(tmp_path: Path) -> None:
    order(handlers.AddVenue, **VENUE)
    again: Any = structure(VENUE, handlers.AddVenue)
    checked = handlers.check_command(again, by(), None)
    assert checked is None
    handlers.carry_out(again, checked, by())
    close_streams(["venue/loft"], tmp_path / "old.jsonl", by(), key=None)
    with pytest.raises(InputError, match="venue/loft was closed into an archive"):
        handlers.carry_out(again, checked, by())


def test_another_order_for_the_same_id_that_came_in_between_has_it(monkeypatch: pytest.MonkeyPatch) -> None:
    furnish()
    later = {"starts_at": (NOON + timedelta(days=9)).isoformat(), "ends_at": (NOON + timedelta(days=10)).isoformat()}
    meanwhile(monkeypatch, lambda: plan(**later))
    with pytest.raises(handlers.IdInUse):
        plan()
    assert Run.objects.get().starts_at == NOON + timedelta(days=9)


@pytest.mark.parametrize("stream", ["machine/one", "source/picture", "profile/small", "venue/shed"])
def test_what_was_closed_in_between_is_stood_on_no_more(
    stream: str, monkeypatch: pytest.MonkeyPatch, tmp_path: Path
) -> None:
    furnish()
    meanwhile(monkeypatch, lambda: close_streams([stream], tmp_path / "old.jsonl", by(), key=None))
    with pytest.raises(InputError, match=f"{stream} was closed into an archive"):
        plan()
    assert not Run.objects.exists()


def test_what_hangs_on_a_venue_stands_on_it() -> None:
    comes = {"kind": "weekly", "weekday": "friday", "begins": "10:00", "ends": "11:30"}
    anchor = {"civil": "2026-12-01T19:00", "zone": "Europe/Lisbon"}
    orders: dict[type[Any], dict[str, Any]] = {
        handlers.AddMachine: {"id": "two", "name": "Two", "venue": "shed", "profile": "small"},
        handlers.FixOpening: {"id": "a", "name": "A", "venue": "shed", "anchor": anchor},
        handlers.FixServiceWindow: {"id": "a", "name": "A", "venue": "shed", "comes": comes},
    }
    furnish()
    for command, fields in orders.items():
        checked = handlers.HANDLERS[command][1](structure(fields, command))
        assert "venue/shed" in checked.stands_on


def test_a_command_is_checked_whole_once(monkeypatch: pytest.MonkeyPatch) -> None:
    furnish()
    checks = []
    kind, check = handlers.HANDLERS[handlers.PlanRun]
    monkeypatch.setitem(handlers.HANDLERS, handlers.PlanRun, (kind, lambda one: checks.append(one) or check(one)))
    plan()
    assert len(checks) == 1
