"""When a longitude comes round under the head, against the sky asked directly, and when it comes to the knife."""

from __future__ import annotations

from datetime import datetime, timedelta
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from machines.errors import InputError
from machines.model.calibration import Calibration
from machines.model.slots import boundaries
from scheduling.log.models import Machine, Run
from scheduling.paper.next_passage import Passage, PassageQuery, next_passage
from scheduling.planning import days_spans
from scheduling.planning.quiet_hours import QuietHours, QuietSpan, QuietWeek
from scheduling.queries.calibration import calibrate
from scheduling.queries.machine_context import machine_context
from scheduling.queries.runs import run_instants
from scheduling.sky import almanac
from scheduling.sky.ephemeris import load
from scheduling.sky.zones import zone
from tests.scheduling.house import MOON, NOON, by, furnish, plan, run_timeline, set_quiet_hours

pytestmark = pytest.mark.django_db
DAYS = 6
MAP = {"kind": "map", "data": "land-110m"}


def on_its_way(picture: dict[str, Any] | None = None, profile: dict[str, Any] | None = None, **run: Any) -> Run:
    furnish(picture or MAP, **(profile or {}))
    plan(**({"ends_at": (NOON + timedelta(days=DAYS)).isoformat()} | run))
    return Run.objects.get()


def next_time(hours: float = 0.0, **asked: Any) -> Passage | None:
    return next_passage(machine_context(Machine.objects.get(), NOON + timedelta(hours=hours)), PassageQuery(**asked))


def found(hours: float = 0.0, **asked: Any) -> Passage:
    told = next_time(hours, **asked)
    assert told is not None
    return told


def longitude_under(body: str, at: datetime) -> float:
    """Where a body is overhead, by skyfield asked directly: its right ascension less the sidereal time at Greenwich."""
    loaded = load()
    time = loaded.timescale.from_datetime(at)
    if body == "equinox":
        hours = -time.gast
    else:
        place = loaded.earth.at(time).observe(getattr(loaded, body)).apparent()
        hours = place.radec("date")[0].hours - time.gast
    return float((hours * 15.0 + 180.0) % 360.0 - 180.0)


@pytest.mark.parametrize(
    ("cycle", "picture", "body", "stands"),
    [
        ("apparent-solar-day", MOON, "sun", "under the Sun"),
        ("apparent-solar-day", MAP, "sun", "on the map"),
        ("lunar-day", MOON, "moon", "under the Moon"),
        ("sidereal-day", MOON, "equinox", "under the March equinox"),
    ],
)
@pytest.mark.parametrize("longitude", [-180.0, -52.7, 0.0, 15.0, 176.5])
def test_the_sky_is_there(cycle: str, picture: dict[str, Any], body: str, stands: str, longitude: float) -> None:
    """At the instant told, the body stands over the longitude to a second of time (15 seconds of arc), and it is the
    first such instant: the one before is a turn earlier."""
    run = on_its_way(picture, cycle=cycle)
    for hours in (0.0, 7.3, 40.0):
        told = found(hours, longitude=longitude)
        now = NOON + timedelta(hours=hours)
        off = (longitude_under(body, told.at) - longitude + 180.0) % 360.0 - 180.0
        assert abs(off) < 15.0 / 3600.0
        assert (told.stands, told.longitude) == (stands, longitude)
        assert now <= told.at < now + timedelta(seconds=run.mean_turn_s * 1.001)


def test_it_is_the_event_that_the_almanac_finds() -> None:
    on_its_way()
    for longitude in (-120.0, 3.25, 150.0):
        (event, *_) = almanac.find("sun-over-meridian", NOON, NOON + timedelta(days=2), longitude=longitude)
        assert abs(found(longitude=longitude).at - event.at) < timedelta(milliseconds=5)


def test_a_map_with_another_centre_is_asked_for_its_own_longitudes() -> None:
    run = on_its_way(MAP | {"central_meridian_degrees": 90.0})
    told = found(longitude=90.0)
    assert (told.stands, told.phase, told.column % 240) == ("on the map", 0.5, 120)
    assert told.at.timestamp() == pytest.approx(run_instants(run, told.column, run_timeline(run))[()], abs=1e-3)


@pytest.mark.parametrize("column", [0, 1, 119, 239])
def test_a_column_comes_round_at_its_own_instant(column: int) -> None:
    run = on_its_way(MOON, cycle="synodic-month", ends_at=(NOON + timedelta(days=40)).isoformat())
    told = found(column=column)
    assert told.column % 240 == column and told.stands is None
    assert told.at.timestamp() == pytest.approx(run_instants(run, told.column, run_timeline(run))[()], abs=1e-3)
    assert told == found(phase=column / 240)


@settings(deadline=None, max_examples=60)
@given(column=st.integers(1, 100_000), per_turn=st.integers(2, 100_000))
def test_a_phase_that_was_made_from_a_column_is_that_column(column: int, per_turn: int) -> None:
    """As `_next` floors it, for any turn of a century of days."""
    column %= per_turn
    for count in (0.0, 9793.0, 36525.0):
        assert int(np.floor((count + column / per_turn) * per_turn + 1e-6)) == count * per_turn + column


@pytest.mark.parametrize("cadence", [1, 4, 30])
def test_it_is_laid_with_its_burst(cadence: int) -> None:
    run = on_its_way(profile={"columns_per_burst": cadence})
    for longitude in (-100.0, 0.0, 33.3):
        told = found(longitude=longitude)
        start = told.column // cadence * cadence
        begins, ends = run_instants(run, [max(start, run.first_column), start + cadence], run_timeline(run))
        assert told.laid.begins_at.timestamp() == pytest.approx(begins, abs=1e-3)
        assert told.laid.ends_at.timestamp() == pytest.approx(ends, abs=1e-3)
        assert told.laid.begins_at <= told.at < told.laid.ends_at


def test_the_span_is_told_by_the_clock_of_the_venue() -> None:
    """Five columns of six minutes are half an hour; in October Lisbon was an hour ahead of UTC until the 25th, 1:00."""
    on_its_way(profile={"columns_per_burst": 5}, cycle="mean-solar-day")
    told = found(column=152).laid
    assert told.ends_at - told.begins_at == pytest.approx(timedelta(minutes=30), abs=timedelta(milliseconds=1))
    assert told.in_words == "between 16:00 and 16:30 on 2026-10-24"
    assert found(column=226).laid.in_words == "between 23:30 on 2026-10-24 and 00:00 on 2026-10-25"
    # At 1:00 UTC, two o'clock by the clock there, it was one o'clock again.
    in_words = "between 01:30 WEST and 01:00 WET on 2026-10-25, between which the clocks change"
    assert found(column=9).laid.in_words == in_words
    assert found(column=4).laid.in_words == "between 01:00 WEST and 01:30 WEST on 2026-10-25"
    assert found(column=14).laid.in_words == "between 01:00 WET and 01:30 WET on 2026-10-25"
    assert found(column=24).laid.in_words == "between 02:00 and 02:30 on 2026-10-25"


def test_a_burst_of_seconds_is_told_as_a_moment() -> None:
    on_its_way(profile={"columns_per_turn": 24_000, "columns_per_burst": 1}, cycle="mean-solar-day")
    assert found(column=15_005).laid.in_words == "at 16:00 on 2026-10-24"


def test_its_place_comes_to_the_knife_when_the_way_is_filled() -> None:
    """The knife is 20 columns on: the place is under it when column + 19 has been laid, and paper moves by bursts of
    four; its strip of 20 columns falls when the place of the next strip's first column is."""
    run = on_its_way()
    told = found(longitude=10.0)
    assert told.at_knife is not None and told.cut_off is not None
    for span, place in ((told.at_knife, told.column), (told.cut_off, (told.column // 20 + 1) * 20)):
        burst = (place + 19) // 4 * 4
        begins, ends = run_instants(run, [burst, burst + 4], run_timeline(run))
        assert span.begins_at.timestamp() == pytest.approx(begins, abs=1e-3)
        assert span.ends_at.timestamp() == pytest.approx(ends, abs=1e-3)
    assert told.laid.begins_at < told.at_knife.begins_at <= told.cut_off.begins_at


def test_a_strip_that_ends_in_quiet_hours_is_cut_off_with_the_next() -> None:
    on_its_way()
    loud = found(phase=0.5)
    assert loud.cut_off is not None
    at = loud.cut_off.begins_at.astimezone(zone("Europe/Lisbon"))
    quiet = QuietSpan(begins=f"{at - timedelta(minutes=1):%H:%M}", ends=f"{at + timedelta(minutes=1):%H:%M}")
    set_quiet_hours("shed", QuietHours(week=QuietWeek(**dict.fromkeys(days_spans.DAYS, (quiet,)))), by())
    held = found(phase=0.5)
    assert held.cut_off is not None and held.at_knife == loud.at_knife, "it comes to the knife as before"
    apart = held.cut_off.begins_at - loud.cut_off.begins_at
    assert timedelta(hours=1) < apart < timedelta(hours=3), "of twelve strips a day"
    always = QuietSpan(begins="00:00", ends="24:00")
    set_quiet_hours("shed", QuietHours(week=QuietWeek(**dict.fromkeys(days_spans.DAYS, (always,)))), by())
    assert found(phase=0.5).cut_off is None


def test_a_strips_own_boundary_is_cut_off_with_the_strip_that_it_begins() -> None:
    run = on_its_way()
    (boundary,) = boundaries(run.first_column + 30, run.first_column + 50, 240, 12)
    told = found(column=boundary % 240)
    assert told.column == boundary
    (after,) = boundaries(boundary, boundary + 20, 240, 12)
    assert told.cut_off is not None
    assert told.cut_off.begins_at.timestamp() == pytest.approx(
        run_instants(run, (after + 19) // 4 * 4, run_timeline(run))[()], abs=1e-3
    )


def test_the_knife_is_where_it_was_measured() -> None:
    on_its_way()
    before = found(longitude=10.0)
    calibrate("one", Calibration(head_to_knife_mm=20.0), by())
    after = found(longitude=10.0)
    assert before.at_knife is not None and after.at_knife is not None
    assert after.at_knife.begins_at - before.at_knife.begins_at == pytest.approx(
        timedelta(hours=2), abs=timedelta(minutes=1)
    )


@pytest.mark.parametrize(("profile", "strips"), [({"knife": None}, 0), ({}, 0)])
def test_what_is_not_cut_is_not_told_to_be(profile: dict[str, Any], strips: int) -> None:
    on_its_way(profile=profile, strips_per_turn=strips)
    told = found(longitude=10.0)
    assert told.cut_off is None
    assert (told.at_knife is None) == ("knife" in profile)


def test_what_hangs_when_the_run_ends_is_not_cut() -> None:
    run = on_its_way()
    last = run.end_column - 1
    told = found(hours=24 * DAYS - 5, column=last % 240)
    assert told.column == last and told.at_knife is None and told.cut_off is None
    assert told.laid.ends_at.timestamp() == pytest.approx(
        run_instants(run, run.end_column, run_timeline(run))[()], abs=1e-3
    )


def test_before_the_run_begins_it_is_the_first_of_the_run() -> None:
    run = on_its_way()
    assert found(hours=-1000.0, longitude=10.0) == found(longitude=10.0)
    assert found(hours=-1000.0, longitude=10.0).at >= run.starts_at


def test_after_the_last_time_in_one_run_it_is_the_first_in_the_next() -> None:
    on_its_way()
    assert next_time(hours=24 * DAYS - 1, longitude=-10.0) is None
    begins, ends = (NOON + timedelta(days=day) for day in (DAYS + 3, DAYS + 5))
    plan(id="second", starts_at=begins.isoformat(), ends_at=ends.isoformat())
    told = found(hours=24 * DAYS - 1, longitude=-10.0)
    assert told.run == "second" and told.at >= begins
    assert next_time(hours=24 * (DAYS + 6), longitude=-10.0) is None


def test_a_timeline_that_has_waited_comes_round_later() -> None:
    run = on_its_way(
        MOON,
        cycle="period",
        cycle_options={"seconds": 3600.0, "epoch": NOON.isoformat()},
        profile={"highest_mm_per_hour": 500.0},
    )
    before = found(hours=10.0, phase=0.25)
    assert before.at == NOON + timedelta(hours=10.25)
    run.shifts, run.shift_s = [[run.first_column + 5 * 240, 7200.0 + 60.0]], 7260.0
    run.save()
    after = found(hours=10.0, phase=0.25)
    assert after.at == NOON + timedelta(hours=10.25, seconds=60.0)
    assert after.column == before.column - 2 * 240
    assert after.laid.begins_at - before.laid.begins_at == timedelta(seconds=60.0)
    assert found(hours=2.0, phase=0.25).at == NOON + timedelta(hours=2.25)  # before it waited


@pytest.mark.parametrize(
    ("asked", "field"),
    [
        ({}, "longitude"),
        ({"longitude": 1.0, "phase": 0.5}, "phase"),
        ({"longitude": 180.5}, "longitude"),
        ({"phase": 1.0}, "phase"),
        ({"phase": -0.1}, "phase"),
        ({"column": 240}, "column"),
        ({"column": -1}, "column"),
    ],
)
def test_a_place_that_is_none_is_refused(asked: dict[str, Any], field: str) -> None:
    on_its_way()
    with pytest.raises(InputError) as raised:
        next_time(**asked)
    assert raised.value.field == field


def test_a_picture_without_longitude_says_so() -> None:
    on_its_way(MOON, cycle="synodic-month", ends_at=(NOON + timedelta(days=40)).isoformat())
    with pytest.raises(InputError, match="ask for a phase or a column"):
        next_time(longitude=10.0)


def test_a_machine_without_runs_comes_to_nothing(tmp_path: Path) -> None:
    furnish()
    assert next_time(longitude=10.0) is None
