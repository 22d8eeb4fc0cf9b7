"""When parts are expected to end, as a calendar keeps it: the same while all goes as planned, another when not."""

from __future__ import annotations

import shutil
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from datetime import timedelta
from pathlib import Path

import pytest
from django.db import connection
from django.test.utils import CaptureQueriesContext

from machines.chance import SYSTEM
from machines.model.calibration import Calibration
from machines.operator.safety_notes import BESIDE
from machines.protocol.journal_entries import Action, ColumnsPrinted, FeedCorrected, OperatorActed
from scheduling.background.extend_plans import extend_plans
from scheduling.calendar.entries import CalendarSpan
from scheduling.calendar.supply_entries import DECIDE, SupplyEnd, supply_ends
from scheduling.calendar.venue_calendar import venue_calendar
from scheduling.commands.enrol_node import enrol
from scheduling.commands.service_windows import call_off
from scheduling.log.events import EVENT_CLASSES
from scheduling.log.events.visits import OpeningFixed, ServiceWindowFixed
from scheduling.log.models import Machine, Run, Segment, SupplyChange, Venue
from scheduling.log.rebuilding.rebuild import rebuild
from scheduling.log.store import Append, append
from scheduling.nodes.reports import take
from scheduling.planning.opening_hours import Hours, OpenSpan, Week
from scheduling.planning.service_windows import Once
from scheduling.queries.calibration import calibrate
from scheduling.queries.forecast_inputs import INVALIDATED_BY
from scheduling.queries.machine_context import machine_context
from scheduling.queries.newest_change import AS_PLANNED
from scheduling.rendering.plate_dots import dots_of_turn
from scheduling.rendering.plate_store import PlateStore
from scheduling.supplies.forecast import forecast
from scheduling.supplies.forecast_cache import kept_forecast
from tests.scheduling.house import NOON, PROFILE, batch, by, furnish, long_after, plan, printed, set_hours, started
from tests.scheduling.nodes.test_reports import gap_settled

pytestmark = pytest.mark.django_db
HEAD = PROFILE["head"] | {"cartridge_ml": 2e-5}


@pytest.fixture
def plates(tmp_path: Path) -> PlateStore:
    """A month's run; its metre of paper, its ink and its ten cuts do not last so long."""
    furnish(
        media={"width_mm": 30.0, "caliper_mm": 0.1, "roll_m": 1.0},
        knife={"head_to_knife_mm": 10.0, "cuts_per_blade": 10},
        head=HEAD,
    )
    plan(ends_at=(NOON + timedelta(days=30)).isoformat())
    store = PlateStore(tmp_path / "plates")
    extend_plans(NOON, timedelta(hours=192), store)
    enrol("one", by())
    return store


def ends(plates: PlateStore, hours: float = 0.0) -> dict[str, SupplyEnd]:
    return {
        one.part: one
        for one in supply_ends(machine_context(Machine.objects.get(), NOON + timedelta(hours=hours)), plates)
    }


def acted(seq: int, action: Action, hours: float) -> OperatorActed:
    return OperatorActed(seq=seq, at=NOON + timedelta(hours=hours), action=action)


def first_day() -> list[ColumnsPrinted]:
    """Reports of the run's first 24 segments, laid side by side."""
    laid, first = Segment.objects.order_by("number")[:24], Run.objects.get().first_column
    return [
        printed(
            seq,
            one.number,
            one.first_column,
            one.end_column,
            one.end_column - one.first_column,
            one.first_column - first,
        )
        for seq, one in enumerate(laid, 1)
    ]


def test_each_part_ends_in_the_hour_that_the_forecast_has(plates: PlateStore) -> None:
    run = forecast(machine_context(Machine.objects.get(), NOON), NOON, plates).run
    assert run is not None
    found = ends(plates)
    for part, told in (("roll", run.roll_ends), ("cartridge", run.cartridge_ends), ("blade", run.blade_ends)):
        assert told is not None
        assert timedelta(0) <= told.at - found[part].at < timedelta(hours=1)
        assert found[part].at.minute == 0


def test_it_says_what_to_mind(plates: PlateStore) -> None:
    for part, end in ends(plates).items():
        for line in (*BESIDE[f"{part}-changed"], DECIDE):
            assert line in end.description


def test_printing_as_planned_moves_nothing(plates: PlateStore) -> None:
    before = ends(plates)
    take("one", batch(*first_day()[:1]), by(at=NOON + timedelta(hours=1)))
    assert ends(plates) == before
    assert ends(plates, hours=3) == before


def test_it_is_counted_once_an_hour_unless_something_moves_it(plates: PlateStore) -> None:
    def counts(hours: float) -> bool:
        with CaptureQueriesContext(connection) as asked:
            ends(plates, hours)
        return any('FROM "log_segment"' in query["sql"] for query in asked.captured_queries)

    assert [counts(hours) for hours in (0.0, 0.5, 0.99, 1.0, 1.5)] == [True, False, False, True, False]
    take("one", batch(acted(1, "roll-changed", 1.0)), by(at=NOON + timedelta(hours=1)))
    assert [counts(1.5), counts(1.6)] == [True, False]


def test_a_run_that_comes_to_its_end_as_planned_gives_way_to_the_next_at_once(plates: PlateStore) -> None:
    first, at = Run.objects.get(), NOON + timedelta(days=40)
    begins = first.ends_at + timedelta(hours=1)
    plan(id="second", starts_at=begins.isoformat(), ends_at=(begins + timedelta(days=30)).isoformat())
    take("one", batch(acted(1, "roll-changed", 1.0)), by(at=at))  # told after all that stands in either run's stream

    def counted_for() -> str | None:
        run = kept_forecast(machine_context(Machine.objects.get(), at), at, plates).forecast.run
        return None if run is None else run.id

    assert counted_for() == "first"
    Run.objects.filter(id="first").update(printed=first.end_column - first.first_column)
    assert counted_for() == "second"


# Of the streams that a forecast is counted from, what moves no end of a part, and is not printing as planned.
MOVES_NOTHING = """
    venue-added venue-retired venue-taken-back contacts-set profile-added profile-retired profile-taken-back
    machine-retired machine-taken-back
    node-enrolled node-revoked node-started node-stopped conditions-changed knife-armed knife-disarmed
    silence-began never-heard silence-ended outage-overridden settlement-differed word-passed-over true-again
    entry-set-aside entry-read-in-part entry-told-twice entry-passed-over reports-refused reports-taken-again
    opening-series-fixed opening-series-called-off run-not-known printed-though-withdrawn
    printed-by-earlier-plan entries-told-again set-time-compared slip-measured feed-corrected
    opening-doubted opening-not-doubted
"""


def test_who_waited_to_count_counts_nothing_that_was_counted_meanwhile(plates: PlateStore) -> None:
    waited, seen = [], machine_context(Machine.objects.get(), NOON)

    @contextmanager
    def behind_another() -> Iterator[None]:
        with CaptureQueriesContext(connection) as asked:
            waited.append(kept_forecast(seen, NOON, plates))
        counted = len(asked)
        with CaptureQueriesContext(connection) as asked:
            yield
        assert len(asked) == 0 < counted

    found = kept_forecast(seen, NOON, plates, behind_another)
    assert [one.forecast for one in waited] == [found.forecast]


def test_of_every_event_it_was_decided_what_it_moves() -> None:
    counted_from = {"machine", "profile", "run", "venue", "opening", "series", "service"}
    kinds = {kind for kind, cls in EVENT_CLASSES.items() if getattr(cls, "stream", "machine") in counted_from}
    assert sorted([*INVALIDATED_BY, *AS_PLANNED, *MOVES_NOTHING.split()]) == sorted(kinds)


def test_views_that_were_put_right_are_counted_anew(plates: PlateStore) -> None:
    take("one", batch(*first_day(), acted(25, "roll-changed", 1.0)), long_after())
    told = ends(plates, hours=3)["roll"]
    SupplyChange.objects.all().delete()
    close_the_venue()
    assert ends(plates, hours=3)["roll"].at < told.at, "as if nobody had changed the roll"
    rebuild()
    assert ends(plates, hours=3)["roll"].at == told.at


def test_a_run_that_is_planned_and_drawn_is_told_at_once(tmp_path: Path) -> None:
    furnish(media={"width_mm": 30.0, "caliper_mm": 0.1, "roll_m": 1.0}, head=HEAD)
    plates = PlateStore(tmp_path)
    assert ends(plates) == {}
    plan(ends_at=(NOON + timedelta(days=20)).isoformat())
    assert set(ends(plates)) == {"roll", "blade"}
    extend_plans(NOON, timedelta(hours=192), plates)
    assert set(ends(plates)) == {"roll", "cartridge", "blade"}


def measure_the_knife() -> None:
    calibrate("one", Calibration(head_to_knife_mm=40.0), by())


def close_the_venue() -> None:
    week = Week(monday=(OpenSpan(opens="00:00", closes="00:01"),))
    set_hours("shed", Hours(week=week), by())


def leave_columns_out() -> None:
    take("one", batch(started(1), gap_settled(2)), long_after())


@pytest.mark.parametrize("moves", [measure_the_knife, close_the_venue, leave_columns_out])
def test_what_moves_an_end_is_told_at_once(plates: PlateStore, moves: Callable[[], None]) -> None:
    before = ends(plates)["blade"]
    moves()
    after = ends(plates)["blade"]
    assert (after.at, after.description) != (before.at, before.description)


def test_a_feed_that_was_corrected_moves_nothing(plates: PlateStore) -> None:
    """Some machines put right a hair's breadth every few turns."""
    before, later = ends(plates), NOON + timedelta(minutes=5)
    correction = FeedCorrected(seq=1, at=later, run="first", column=0, corrected_mm=0.1, slip_mm=0.0)
    take("one", batch(correction), by(at=later))
    assert ends(plates) == before


def test_a_new_roll_is_another_one_and_ends_later(plates: PlateStore) -> None:
    before = ends(plates)
    later = NOON + timedelta(hours=1)
    take("one", batch(*first_day(), acted(25, "roll-changed", 1.0)), by(at=later))
    after = ends(plates)  # within the same hour
    assert (before["roll"].number, after["roll"].number) == (1, 2)
    assert after["roll"].at > before["roll"].at
    assert (before["roll"].changed_at, after["roll"].changed_at) == (NOON, later)
    assert (after["blade"].number, after["cartridge"].number) == (1, 1)


@pytest.mark.parametrize("part", ["cartridge", "blade"])
def test_a_new_cartridge_or_blade_is_another_one(plates: PlateStore, part: str) -> None:
    take("one", batch(*first_day(), acted(25, f"{part}-changed", 1.0)), long_after())  # type: ignore[arg-type]
    assert ends(plates)[part].number == 2


def test_what_is_fixed_at_the_venue_is_said_at_once(plates: PlateStore) -> None:
    before = ends(plates)["roll"]
    assert "no service window before the roll ends" in before.description
    later = by(at=NOON + timedelta(minutes=5))
    window = ServiceWindowFixed(
        venue="shed", name="Rounds", comes=Once(anchor={}, minutes=60), begins_at=before.at - timedelta(hours=3)
    )
    append([Append("service/rounds", 0, [window])], later)
    assert "Change it in Rounds, " in ends(plates)["roll"].description
    opening = OpeningFixed(venue="shed", name="First night", anchor={}, opens_at=before.at)
    append([Append("opening/first-night", 0, [opening])], later)
    after = ends(plates)["roll"]
    assert "Change it in Rounds, " in after.description
    assert "on the day of First night: change it before" in after.description
    assert (after.at, after.number, after.changed_at) == (before.at, before.number, later.said_at)
    call_off("rounds", None, later, SYSTEM)
    assert "no service window before the roll ends" in ends(plates)["roll"].description


def test_while_a_plate_is_gone_nothing_is_told_of_ink_and_the_rest_stands(plates: PlateStore) -> None:
    shutil.move(plates.place, plates.place.with_name("away"))
    dots_of_turn.cache_clear()  # else whoever planned knows them still
    without = ends(plates)
    assert set(without) == {"roll", "blade"}
    shutil.move(plates.place.with_name("away"), plates.place)
    assert set(ends(plates)) == {"roll", "cartridge", "blade"}
    assert ends(plates).items() >= without.items()


def test_nothing_ends_without_a_run(tmp_path: Path) -> None:
    furnish(head=HEAD)
    assert ends(PlateStore(tmp_path)) == {}


def test_they_stand_in_the_calendar(plates: PlateStore) -> None:
    span = CalendarSpan.around(NOON, timedelta(0), timedelta(days=30))
    found = venue_calendar(Venue.objects.get(), span, NOON, plates, ()).entries
    at = {one.title: one.starts_at for one in found if one.category == "supplies"}
    told = ends(plates)
    assert at == {
        "Roll ends: One": told["roll"].at,
        "Ink ends: One": told["cartridge"].at,
        "Blade is worn: One": told["blade"].at,
    }
    assert len({one.uid for one in found}) == len(found) == 5
