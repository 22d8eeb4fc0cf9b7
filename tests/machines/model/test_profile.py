"""A machine in numbers: the arithmetic, the wire form, and what is refused."""

from __future__ import annotations

import json
import math
from dataclasses import replace
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st

from machines.errors import InputError
from machines.model.profile import LARGEST_PLATE_DOTS, CarriageHead, IdleFiring, Knife, LineHead, Media, Profile

CARRIAGE = CarriageHead(nozzles=12, passes=3, drop_pl=10.0)
LINE = LineHead(dot_current_a=0.03, supply_current_a=2.4, strobe_s=0.001)
MEDIA = Media(width_mm=640.0, caliper_mm=0.105, roll_m=50.0)


def profile(**changes: Any) -> Profile:
    given: dict[str, Any] = {
        "name": "six hundred a day",
        "columns_per_turn": 14_173,
        "mm_per_turn": 600.0,
        "dots_across": 14_400,
        "print_width_mm": 609.6,
        "highest_mm_per_hour": 100.0,
        "head": CARRIAGE,
        "media": MEDIA,
        "knife": Knife(head_to_knife_mm=180.0, cuts_per_blade=2000),
    }
    return Profile(**{**given, **changes})


def test_a_line_at_600_dpi_of_600_mm_a_day_comes_every_six_seconds() -> None:
    """600 mm a day: 0.4167 mm a minute, a 600 dpi line every 6.10 s. Computed; common practice, no source."""
    machine = profile()
    assert 86400.0 / machine.columns_per_turn == pytest.approx(6.10, abs=0.005)
    assert machine.column_pitch_mm == pytest.approx(25.4 / 600, rel=1e-4)
    assert machine.mm_per_turn / 1440.0 == pytest.approx(0.4167, abs=5e-5)


def test_across_the_paper_24_inches_at_600_dpi_are_14400_dots() -> None:
    assert profile().dot_pitch_mm == pytest.approx(25.4 / 600)


def test_from_print_to_cut_takes_the_distance_over_the_feed() -> None:
    """180 mm at 600 mm a day is 7.2 h. Computed; common practice, no source."""
    machine = profile()
    hours = machine.knife_columns * 24.0 / machine.columns_per_turn
    assert hours == pytest.approx(7.2, abs=0.001)


def test_without_a_knife_there_is_no_distance_to_it() -> None:
    assert profile(knife=None).knife_columns == 0


def test_the_highest_rate_in_columns_is_that_in_millimetres() -> None:
    machine = profile(highest_mm_per_hour=36.0, mm_per_turn=100.0, columns_per_turn=1000)
    assert machine.highest_columns_per_s() == pytest.approx(0.1)


@given(st.integers(-100_000, 1_000_000), st.integers(1, 600))
def test_bursts_are_counted_from_running_column_0(column: int, cadence: int) -> None:
    start = profile(columns_per_burst=cadence).burst_start(column)
    assert start % cadence == 0
    assert start <= column < start + cadence


@pytest.mark.parametrize(
    "machine",
    [
        profile(),
        profile(head=LINE, knife=None, travel="left", encoder_pitch_mm=0.02, slip_threshold_mm=0.3),
        profile(head=replace(CARRIAGE, idle_firing=IdleFiring(drops=50, every_s=600.0), cartridge_ml=40.0)),
    ],
    ids=["carriage", "line", "carriage with its ink"],
)
def test_it_survives_the_wire(machine: Profile) -> None:
    assert Profile.from_json(json.loads(json.dumps(machine.as_json()))) == machine


def test_the_kind_of_head_is_told_by_its_name() -> None:
    data = profile().as_json()
    assert data["head"]["kind"] == "carriage"
    data["head"]["kind"] = "rotary"
    with pytest.raises(InputError):
        Profile.from_json(data)


@pytest.mark.parametrize(
    ("changes", "field"),
    [
        ({"name": " "}, "name"),
        ({"columns_per_turn": 1}, "columns_per_turn"),
        ({"columns_per_turn": 2_000_001}, "columns_per_turn"),
        ({"mm_per_turn": 0.0}, "mm_per_turn"),
        ({"mm_per_turn": math.inf}, "mm_per_turn"),
        ({"dots_across": 7}, "dots_across"),
        ({"print_width_mm": 640.5}, "print_width_mm"),
        ({"columns_per_burst": 0}, "columns_per_burst"),
        ({"columns_per_burst": 14_174}, "columns_per_burst"),
        ({"highest_mm_per_hour": -1.0}, "highest_mm_per_hour"),
        ({"clock_tolerance_dots": 0.0}, "clock_tolerance_dots"),
        ({"slip_threshold_mm": 0.0}, "slip_threshold_mm"),
        ({"encoder_pitch_mm": 0.0}, "encoder_pitch_mm"),
        ({"encoder_pitch_mm": math.inf}, "encoder_pitch_mm"),
        ({"encoder_pitch_mm": 0.2, "slip_threshold_mm": 0.1}, "slip_threshold_mm"),
    ],
)
def test_a_profile_that_no_machine_has_is_refused(changes: dict[str, Any], field: str) -> None:
    with pytest.raises(InputError) as raised:
        profile(**changes)
    assert raised.value.field == field


@pytest.mark.parametrize(
    ("part", "changes", "field"),
    [
        (CarriageHead, {"nozzles": 0, "passes": 1, "drop_pl": 1.0}, "nozzles"),
        (CarriageHead, {"nozzles": 4, "passes": 5, "drop_pl": 1.0}, "passes"),
        (CarriageHead, {"nozzles": 4, "passes": 1, "drop_pl": 0.0}, "drop_pl"),
        (CarriageHead, {"nozzles": 4, "passes": 1, "drop_pl": 1.0, "cartridge_ml": 0.0}, "cartridge_ml"),
        (IdleFiring, {"drops": -1, "every_s": 1.0}, "drops"),
        (IdleFiring, {"drops": 1, "every_s": 0.0}, "every_s"),
        (IdleFiring, {"drops": 1, "every_s": math.inf}, "every_s"),
        (LineHead, {"dot_current_a": 0.1, "supply_current_a": 0.05, "strobe_s": 0.001}, "supply_current_a"),
        (LineHead, {"dot_current_a": 0.1, "supply_current_a": 1.0, "strobe_s": 0.0}, "strobe_s"),
        (Knife, {"head_to_knife_mm": -1.0, "cuts_per_blade": 1}, "head_to_knife_mm"),
        (Knife, {"head_to_knife_mm": 1.0, "cuts_per_blade": 0}, "cuts_per_blade"),
        (Media, {"width_mm": 0.0, "caliper_mm": 0.1, "roll_m": 1.0}, "width_mm"),
    ],
)
def test_a_part_that_cannot_be_is_refused(part: type, changes: dict[str, Any], field: str) -> None:
    with pytest.raises(InputError) as raised:
        part(**changes)
    assert raised.value.field == field


def test_on_the_wire_the_error_names_the_path() -> None:
    data = profile().as_json()
    data["head"]["nozzles"] = 0
    with pytest.raises(InputError) as raised:
        Profile.from_json(data)
    assert raised.value.field == "head.nozzles"


def test_idle_firing_on_the_wire_is_checked_as_all_else() -> None:
    data = profile().as_json()
    data["head"]["idle_firing"] = {"drops": 50, "every_s": 0}
    with pytest.raises(InputError) as raised:
        Profile.from_json(data)
    assert raised.value.field == "head.idle_firing.every_s"


def test_a_profile_written_before_there_was_idle_firing_can_be_read() -> None:
    data = profile().as_json()
    del data["head"]["idle_firing"], data["head"]["cartridge_ml"]
    assert Profile.from_json(data) == profile()


@pytest.mark.parametrize(
    "changes", [{"columns_per_turn": 2_000_000, "dots_across": 8}, {"columns_per_turn": 2, "dots_across": 65_536}]
)
def test_the_widest_and_the_longest_turns_are_taken(changes: dict[str, Any]) -> None:
    made = profile(**changes)
    assert (made.columns_per_turn, made.dots_across) == (changes["columns_per_turn"], changes["dots_across"])


@given(st.integers(8, 65_536), st.integers(2, 2_000_000))
def test_a_turn_has_no_more_dots_than_fit_into_memory(dots_across: int, columns: int) -> None:
    """Whatever both numbers are, each within its own bounds."""
    if columns * dots_across <= LARGEST_PLATE_DOTS:
        assert profile(columns_per_turn=columns, dots_across=dots_across).columns_per_turn == columns
        return
    with pytest.raises(InputError) as raised:
        profile(columns_per_turn=columns, dots_across=dots_across)
    assert raised.value.field == "columns_per_turn"
    # What it advises is taken, where so many columns make a turn at all.
    advised = LARGEST_PLATE_DOTS // dots_across
    assert f"{advised:,} columns" in raised.value.remedy
    assert profile(columns_per_turn=advised, dots_across=dots_across).columns_per_turn == advised


def test_a_profile_of_before_encoders_has_none() -> None:
    data = profile().as_json()
    del data["encoder_pitch_mm"], data["slip_threshold_mm"]
    assert Profile.from_json(data) == profile()
    assert profile().encoder_pitch_mm is None


def test_a_line_head_fires_a_full_column_while_it_passes() -> None:
    """14,400 dots, 80 at once, are 180 strobes; at 100 mm an hour and 600 dpi a column passes in 1.52 s."""
    assert profile(head=replace(LINE, strobe_s=0.008)).head == replace(LINE, strobe_s=0.008)
    with pytest.raises(InputError) as refusal:
        profile(head=replace(LINE, strobe_s=0.009))
    assert refusal.value.field == "highest_mm_per_hour"
    assert "1.62 s" in refusal.value.problem
