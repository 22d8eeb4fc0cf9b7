"""Paper, ink and blades."""

import math
from typing import Any

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from machines.errors import InputError
from machines.model.profile import CarriageHead, IdleFiring, Knife, LineHead, Media, Profile
from machines.model.supplies import Use, idle_ml, roll_length_error_m, roll_length_m, use, whole_columns


def profile(**changes: Any) -> Profile:
    parameters = {
        "name": "bench",
        "columns_per_turn": 4800,
        "mm_per_turn": 480.0,
        "dots_across": 2000,
        "print_width_mm": 200.0,
        "highest_mm_per_hour": 100.0,
        "head": CarriageHead(nozzles=12, passes=3, drop_pl=10.0),
        "media": Media(width_mm=210.0, caliper_mm=0.105, roll_m=50.0),
        "knife": Knife(head_to_knife_mm=180.0, cuts_per_blade=1000),
    }
    return Profile(**(parameters | changes))


def test_four_weeks_of_strips() -> None:
    """A day cut every half hour into strips of 10 mm is 480 mm, 13.4 m in four weeks (common practice, no source)."""
    day = use(profile(), columns=48 * 100, dots=0, cuts=48)
    assert day.paper_mm == pytest.approx(480.0)
    four_weeks = day * 28
    assert four_weeks.paper_mm / 1000 == pytest.approx(13.44)
    assert four_weeks.cuts == 1344
    assert four_weeks.blades(profile()) == pytest.approx(1.344)


def test_picture_ink() -> None:
    """600 by 914 mm a day at 600 dpi, 10 pl, 15 % coverage is 0.46 ml (common practice, no source)."""
    dots = 0.15 * (600 / 25.4 * 600) * (914 / 25.4 * 600)
    head = CarriageHead(nozzles=12, passes=1, drop_pl=10.0)
    assert use(profile(head=head), columns=1, dots=round(dots)).picture_ml == pytest.approx(0.46, abs=0.005)


def test_idle_ink() -> None:
    """300 nozzles, 100 drops a minute, 10 pl is 0.43 ml a day (common practice, no source)."""
    head = CarriageHead(nozzles=300, passes=1, drop_pl=10.0)
    day = idle_ml(head, 86400.0, IdleFiring(drops=100, every_s=60.0))
    assert day == pytest.approx(0.432)
    spent = use(profile(head=head), columns=0, dots=0, seconds=86400.0, idle=IdleFiring(drops=100, every_s=60.0))
    assert spent.idle_ml == pytest.approx(day)
    assert spent.ink_ml == spent.idle_ml


def test_every_pass_takes_its_drop() -> None:
    assert use(profile(), columns=0, dots=10**9).picture_ml == pytest.approx(30.0)


def test_a_line_head_takes_no_ink_and_a_machine_without_knife_no_blades() -> None:
    machine = profile(head=LineHead(dot_current_a=0.03, supply_current_a=2.0, strobe_s=0.001), knife=None)
    spent = use(machine, columns=4800, dots=10**6, seconds=86400.0, cuts=0, idle=IdleFiring(drops=1, every_s=1.0))
    assert spent == Use(paper_mm=480.0)
    assert spent.blades(machine) == 0.0


@settings(deadline=None)
@given(parts=st.lists(st.tuples(st.integers(0, 9999), st.integers(0, 10**7), st.integers(0, 50)), max_size=12))
def test_uses_add_up(parts: list[tuple[int, int, int]]) -> None:
    """Segments to a turn: what they use together is what all of them use at once."""
    total = sum((use(profile(), columns=columns, dots=dots, cuts=cuts) for columns, dots, cuts in parts), Use())
    columns, dots, cuts = (sum(part[index] for part in parts) for index in range(3))
    once = use(profile(), columns=columns, dots=dots, cuts=cuts)
    assert total.paper_mm == pytest.approx(once.paper_mm)
    assert total.picture_ml == pytest.approx(once.picture_ml)
    assert total.cuts == once.cuts


@pytest.mark.parametrize(
    ("outer_mm", "core_mm", "length_m"), [(100.0, 58.0, 49.64), (200.0, 84.0, 246.4), (58.0, 58.0, 0.0)]
)
def test_length_of_a_roll(outer_mm: float, core_mm: float, length_m: float) -> None:
    """L = pi (D^2 - d^2) / (4 t), worked examples (common practice, no source)."""
    assert roll_length_m(outer_mm, core_mm, 0.105) == pytest.approx(length_m, rel=2e-4)


def test_length_is_what_winding_turn_by_turn_gives() -> None:
    """Against the sum of the circumferences of all layers, each at the middle of its thickness."""
    core_mm, caliper_mm, layers = 58.0, 0.105, 200
    wound = sum(math.pi * (core_mm + (2 * layer + 1) * caliper_mm) for layer in range(layers)) / 1000
    assert roll_length_m(core_mm + 2 * layers * caliper_mm, core_mm, caliper_mm) == pytest.approx(wound)


def test_a_millimetre_of_diameter_is_a_metre_and_a_half() -> None:
    """At D 100 and t 0.105 (common practice, no source); and it is the slope of the length."""
    assert roll_length_error_m(100.0, 0.105) == pytest.approx(1.5, abs=0.01)
    slope = roll_length_m(100.5, 58.0, 0.105) - roll_length_m(99.5, 58.0, 0.105)
    assert roll_length_error_m(100.0, 0.105) == pytest.approx(slope)


@pytest.mark.parametrize(
    ("outer", "core", "caliper", "field"),
    [(50, 58, 0.1, "outer_mm"), (90, 0, 0.1, "outer_mm"), (90, 58, 0, "caliper_mm"), (math.nan, 58, 0.1, "outer_mm")],
)
def test_what_is_no_roll_is_refused(outer: float, core: float, caliper: float, field: str) -> None:
    with pytest.raises(InputError) as caught:
        roll_length_m(outer, core, caliper)
    assert caught.value.field == field


@settings(deadline=None)
@given(turns=st.integers(0, 10_000), mm=st.sampled_from([480.0, 24 * 25.4, 0.1 * 3 * 1000, 333.3]))
def test_a_roll_of_n_turns_holds_n_turns(turns: int, mm: float) -> None:
    machine = profile(mm_per_turn=mm)
    assert whole_columns(machine, turns * mm / 1000) == turns * 4800
    assert whole_columns(machine, (turns + 0.99999) * mm / 1000) // 4800 == turns


@settings(deadline=None)
@given(column=st.integers(0, 10**7), share=st.floats(0.01, 0.99))
def test_a_part_of_a_column_is_none(column: int, share: float) -> None:
    assert whole_columns(profile(), (column + share) * 0.1 / 1000) == column
