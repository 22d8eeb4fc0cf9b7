"""Roll, cartridge and blade, counted from where somebody changed them; and where within the run each ends."""

from __future__ import annotations

from datetime import timedelta
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from machines.model.calibration import Calibration
from machines.model.profile import IdleFiring, Profile
from machines.protocol.journal_entries import Action, OperatorActed, StripCut
from machines.serialization import format_instant, structure
from scheduling.background.extend_plans import extend_plans
from scheduling.commands import handlers
from scheduling.commands.enrol_node import enrol
from scheduling.log.models import Machine, Run, Segment
from scheduling.nodes.reports import take
from scheduling.planning.opening_hours import Hours
from scheduling.queries.calibration import calibrate
from scheduling.queries.machine_context import machine_context
from scheduling.rendering.plate_store import PlateStore
from scheduling.supplies.forecast import Forecast, RunForecast, forecast
from scheduling.supplies.parts import Roll, roll
from tests.scheduling.house import (
    MOON,
    NOON,
    PROFILE,
    batch,
    by,
    end_run_after,
    furnish,
    long_after,
    order,
    plan,
    printed,
    run_timeline,
    set_hours,
    small_profile,
)

pytestmark = pytest.mark.django_db
ML_PER_DOT = 2 * 10.0e-9  # two passes of drops of 10 pl
IDLE = {"drops": 50, "every_s": 600.0}
IDLE_ML_PER_S = 8 * 50 * 10.0e-9 / 600.0  # eight nozzles


def head(**changes: Any) -> dict[str, Any]:
    return PROFILE["head"] | changes


def on_its_way(folder: Path, days: float = 20.0, ahead_hours: float = 500.0, **profile: Any) -> PlateStore:
    """A machine on a run of some days that is planned ahead."""
    furnish(**profile)
    knife = profile.get("knife", PROFILE["knife"])
    plan(ends_at=(NOON + timedelta(days=days)).isoformat(), strips_per_turn=12 if knife else 0)
    plates = PlateStore(folder)
    extend_plans(NOON, timedelta(hours=ahead_hours), plates)
    enrol("one", by())
    return plates


def tell(*entries: Any) -> None:
    """The machine's node reports; entries are numbered in order."""
    taken = Machine.objects.get().accepted_through
    take("one", batch(*(make(taken + seq) for seq, make in enumerate(entries, 1))), long_after())


def segment_printed(number: int) -> Any:
    """The run's segment, counted from 0, whole and in its place on paper that began with the run."""
    one, first = Segment.objects.order_by("number")[number], Run.objects.get().first_column
    columns = one.end_column - one.first_column
    return lambda seq: printed(seq, one.number, one.first_column, one.end_column, columns, one.first_column - first)


def acted(action: Action, hours: float) -> Any:
    return lambda seq: OperatorActed(seq=seq, at=NOON + timedelta(hours=hours), action=action)


def cut(after: int, hours: float, made: bool = True) -> Any:
    """At the boundary so many columns after the run's first."""
    at = NOON + timedelta(hours=hours)
    boundary = -(-Run.objects.get().first_column // 20) * 20 + after
    return lambda seq: StripCut(seq=seq, at=at, run="first", boundary=boundary, paper_position=0, made=made)


def told(plates: PlateStore, hours: float = 0.0, idle: IdleFiring | None = None) -> Forecast:
    return forecast(machine_context(Machine.objects.get(), NOON), NOON + timedelta(hours=hours), plates, idle)


def of_run(plates: PlateStore, hours: float = 0.0) -> RunForecast:
    found = told(plates, hours).run
    assert found is not None
    return found


@pytest.mark.parametrize(
    ("columns", "number", "left_m"),
    [(0, 1, 10.0), (1, 1, 9.9995), (19_999, 1, 0.0005), (20_000, 2, 10.0), (50_000, 3, 5.0)],
)
def test_rolls_that_nobody_told_of_follow_one_another(columns: int, number: int, left_m: float) -> None:
    furnish()
    machine = Machine(id="one", paper_position=columns)
    assert roll(machine, small_profile(), ()) == Roll(
        length_m=10.0, number=number, changed_at=None, left_m=pytest.approx(left_m)
    )


def test_rolls_that_came_out_even_are_used_up_although_a_binary_fraction_is_not_whole() -> None:
    """Seven rolls of 2.1 m are 29 400 columns of half a millimetre, and a float64 makes 6.999999999999999 of them."""
    profile = structure(PROFILE | {"media": PROFILE["media"] | {"roll_m": 2.1}}, Profile)
    found = roll(Machine(id="one", paper_position=29_400), profile, ())
    assert (found.number, found.left_m) == (8, pytest.approx(2.1))


def test_a_changed_roll_is_new_where_the_paper_stood(tmp_path: Path) -> None:
    plates = on_its_way(tmp_path)
    tell(segment_printed(0), segment_printed(1), acted("roll-changed", 1.0), segment_printed(2))
    fed = Machine.objects.get().paper_position
    changed_at = Segment.objects.order_by("number")[1].end_column - Run.objects.get().first_column
    found = told(plates, hours=2).roll
    assert (found.number, found.changed_at) == (2, NOON + timedelta(hours=1))
    assert found.left_m == pytest.approx(10.0 - (fed - changed_at) * 0.0005)
    tell(acted("roll-changed", 3.0))
    again = told(plates, hours=3).roll
    assert (again.number, again.left_m) == (3, 10.0)


def test_the_end_of_the_roll_moves_with_its_change(tmp_path: Path) -> None:
    plates = on_its_way(tmp_path, media={"width_mm": 30.0, "caliper_mm": 0.1, "roll_m": 1.0})
    tell(segment_printed(0))
    before = of_run(plates).roll_ends
    tell(acted("roll-changed", 1.0))
    after = of_run(plates).roll_ends
    assert before is not None and after is not None
    first = Run.objects.get().first_column
    assert before.column == first + 2000  # a metre of 0.5 mm, from the first column
    assert after.column == of_run(plates).next_column + 2000
    assert after.turn == after.column // 240
    assert after.at.timestamp() == pytest.approx(run_timeline(Run.objects.get()).instants(after.column)[()], abs=1e-3)


def test_what_was_said_by_mistake_and_taken_back_leaves_every_part_as_it_was(tmp_path: Path) -> None:
    """All is as if nobody had said it, and what was used in between counts for the parts that were there."""
    plates = on_its_way(tmp_path, head=head(cartridge_ml=0.01))
    tell(segment_printed(0), cut(0, 0.5), acted("roll-changed", 0.6), acted("cartridge-changed", 0.7))
    honest = told(plates, hours=5)
    tell(*(acted(f"{part}-changed", 1.0) for part in ("roll", "cartridge", "blade")))  # type: ignore[arg-type]
    mistaken = told(plates, hours=5)
    assert (mistaken.roll, mistaken.cartridge, mistaken.blade) != (honest.roll, honest.cartridge, honest.blade)
    assert mistaken.blade is not None and mistaken.blade.cuts_made == 0
    tell(*(acted(f"{part}-not-changed", 2.0) for part in ("roll", "cartridge", "blade")))  # type: ignore[arg-type]
    again = told(plates, hours=5)
    assert (again.roll, again.cartridge, again.blade) == (honest.roll, honest.cartridge, honest.blade)
    tell(segment_printed(1))
    used = told(plates, hours=5)
    assert used.roll.number == 2 and used.roll.left_m < honest.roll.left_m
    assert used.cartridge is not None and honest.cartridge is not None
    assert used.cartridge.used_ml > honest.cartridge.used_ml


def test_a_machine_whose_profile_says_nothing_of_ink_has_no_cartridge(tmp_path: Path) -> None:
    plates = on_its_way(tmp_path)
    assert told(plates).cartridge is None and of_run(plates).cartridge_ends is None


def test_ink_is_that_of_the_dots_since_the_change(tmp_path: Path) -> None:
    plates = on_its_way(tmp_path, head=head(cartridge_ml=0.01))
    tell(segment_printed(0), acted("cartridge-changed", 1.0), segment_printed(1), segment_printed(2))
    first, last = Segment.objects.order_by("number")[1:3]
    dots = int(plates.get(first.plate).running(first.first_column, last.end_column).sum())
    assert dots > 0
    found = told(plates, hours=2).cartridge
    assert found is not None and (found.holds_ml, found.changed_at) == (0.01, NOON + timedelta(hours=1))
    assert found.used_ml == pytest.approx(dots * ML_PER_DOT)
    assert found.left_ml == pytest.approx(0.01 - dots * ML_PER_DOT)


def test_ink_of_what_was_printed_beyond_an_end_is_used_too(tmp_path: Path) -> None:
    """The end lies within a segment, all of which is printed by a board that had not heard."""
    plates = on_its_way(tmp_path, head=head(cartridge_ml=0.01))
    unheard, whole = segment_printed(1), Segment.objects.order_by("number")[1]
    end_run_after(0.5)
    tell(unheard)
    run = Run.objects.get()
    assert run.beyond == whole.end_column - run.end_column > 0
    found = told(plates, hours=2).cartridge
    dots = int(plates.get(whole.plate).running(whole.first_column, whole.end_column).sum())
    assert found is not None and found.used_ml == pytest.approx(dots * ML_PER_DOT)


def test_idle_firing_of_the_profile_counts_from_the_change_and_a_question_has_its_own(tmp_path: Path) -> None:
    plates = on_its_way(tmp_path, head=head(cartridge_ml=1.0, idle_firing=IDLE))
    begun = told(plates, hours=10).cartridge
    assert begun is not None and begun.changed_at is None
    assert begun.used_ml == pytest.approx(10 * 3600 * IDLE_ML_PER_S)
    tell(acted("cartridge-changed", 6.0))
    changed = told(plates, hours=10).cartridge
    assert changed is not None and changed.used_ml == pytest.approx(4 * 3600 * IDLE_ML_PER_S)
    asked = told(plates, hours=10, idle=IdleFiring(drops=100, every_s=600.0)).cartridge
    assert asked is not None and asked.used_ml == pytest.approx(2 * changed.used_ml)
    run = told(plates, hours=10).run
    assert run is not None and run.used.idle_ml == pytest.approx(10 * 3600 * IDLE_ML_PER_S)
    assert run.per_turn.idle_ml == pytest.approx(86400 * IDLE_ML_PER_S, rel=1e-6)


@pytest.mark.parametrize("idle", [None, IDLE])
@pytest.mark.parametrize("ahead_hours", [500.0, 60.0], ids=["planned", "mostly not yet planned"])
def test_the_turn_that_empties_the_cartridge(tmp_path: Path, idle: dict[str, Any] | None, ahead_hours: float) -> None:
    """Column by column, by what each dot and each second of idle firing take."""
    holds_ml = 0.0065 if idle else 0.00012
    plates = on_its_way(tmp_path, ahead_hours=ahead_hours, head=head(cartridge_ml=holds_ml, idle_firing=idle))
    run = Run.objects.get()
    dots = plates.get(Segment.objects.values_list("plate", flat=True)[0]).dots.sum(axis=0)
    of_column = dots[np.arange(run.first_column, run.end_column) % 240] * ML_PER_DOT
    of_column = of_column + (IDLE_ML_PER_S * 360.0 if idle else 0.0)  # a column is six minutes
    assert of_column.sum() > holds_ml
    expected = run.first_column + int(np.searchsorted(np.cumsum(of_column), holds_ml, side="right"))
    ends = of_run(plates).cartridge_ends
    assert ends is not None
    if ahead_hours == 500.0:
        assert ends.column == expected
    else:  # by the mean of a turn, so out by part of a turn at most
        assert ends.column == pytest.approx(expected, abs=120)
    assert ends.turn == ends.column // 240
    assert ends.at.timestamp() == pytest.approx(run_timeline(run).instants(ends.column)[()], abs=1e-3)


def test_ink_that_outlasts_the_run_has_no_end(tmp_path: Path) -> None:
    plates = on_its_way(tmp_path, head=head(cartridge_ml=40.0))
    assert of_run(plates).cartridge_ends is None


def test_a_moon_that_is_not_drawn_yet_tells_nothing_of_its_ink(tmp_path: Path) -> None:
    furnish(MOON, head=head(cartridge_ml=0.001))
    plan(cycle="lunar-day", ends_at=(NOON + timedelta(days=4)).isoformat())
    assert of_run(PlateStore(tmp_path)).cartridge_ends is None


def test_cuts_are_counted_from_the_change_of_the_blade(tmp_path: Path) -> None:
    plates = on_its_way(tmp_path)
    tell(cut(0, 1.0), cut(20, 2.0), acted("blade-changed", 2.5), cut(40, 3.0), cut(60, 4.0, made=False))
    found = told(plates, hours=5).blade
    assert found is not None
    assert (found.changed_at, found.cuts_made, found.blades_worn) == (NOON + timedelta(hours=2.5), 1, 0.01)


def test_what_was_cut_by_hand_counts_too(tmp_path: Path) -> None:
    plates = on_its_way(tmp_path)

    def hand(action: Action, hours: float, **what: Any) -> Any:
        return lambda seq: OperatorActed(
            seq=seq, at=NOON + timedelta(hours=hours), action=action, paper_position=5, **what
        )

    tell(
        hand("cut", 1.0),
        acted("blade-changed", 2.0),
        hand("cut", 3.0),
        hand("test-pattern", 3.1, pattern="squareness", paper_columns=9),
        hand("test-pattern", 3.2, pattern="nozzles", paper_columns=9),
        hand("feed", 3.3, paper_columns=20),
        hand("cut", 3.4, seen_done=False),
    )
    found = told(plates, hours=5)
    assert found.blade is not None
    assert found.blade.cuts_made == 2
    assert found.roll.left_m == pytest.approx(found.roll.length_m - 25 * small_profile().column_pitch_mm / 1000.0)


def test_the_blade_ends_with_its_last_cut_at_the_knife(tmp_path: Path) -> None:
    """Seven cuts to a blade, of which two are made: it makes the next five, each when its place is 20 columns on."""
    plates = on_its_way(tmp_path, knife={"head_to_knife_mm": 10.0, "cuts_per_blade": 7})
    tell(cut(0, 0.1), cut(20, 0.2))
    run = Run.objects.get()
    to_come = [column for column in range(run.first_column, run.end_column) if column % 20 == 0]
    ends = of_run(plates).blade_ends
    assert ends is not None and ends.column == to_come[4]
    at_knife = run_timeline(run).instants(ends.column + 20)[()]
    assert ends.at.timestamp() == pytest.approx(at_knife, abs=1e-3)


def test_a_knife_that_was_measured_elsewhere_cuts_elsewhere(tmp_path: Path) -> None:
    plates = on_its_way(tmp_path, knife={"head_to_knife_mm": 10.0, "cuts_per_blade": 7})
    by_profile = of_run(plates).blade_ends
    calibrate("one", Calibration(head_to_knife_mm=15.0), by())
    measured = of_run(plates).blade_ends
    assert by_profile is not None and measured is not None and measured.column == by_profile.column
    instants = run_timeline(Run.objects.get()).instants(np.array([by_profile.column + 20, by_profile.column + 30]))
    assert (measured.at - by_profile.at).total_seconds() == pytest.approx(instants[1] - instants[0], abs=1e-3)


def test_an_overdue_blade_ends_with_the_next_cut(tmp_path: Path) -> None:
    plates = on_its_way(tmp_path, knife={"head_to_knife_mm": 10.0, "cuts_per_blade": 1})
    tell(cut(0, 0.1), cut(20, 0.2))
    ends, blade = of_run(plates).blade_ends, told(plates).blade
    assert blade is not None and blade.blades_worn == 2.0
    assert ends is not None and ends.column == -(-Run.objects.get().first_column // 20) * 20


def test_a_machine_without_a_knife_has_no_blade_to_end(tmp_path: Path) -> None:
    plates = on_its_way(tmp_path, days=2, knife=None)
    assert told(plates).blade is None and of_run(plates).blade_ends is None


def test_an_end_on_the_day_of_an_opening_or_behind_closed_doors_is_warned_of(tmp_path: Path) -> None:
    plates = on_its_way(tmp_path, media={"width_mm": 30.0, "caliper_mm": 0.1, "roll_m": 1.0})
    ends = of_run(plates).roll_ends  # on 1 November, towards 20:20 by the clocks of Lisbon
    assert ends is not None and ends.warning is None
    evening = {"civil": "2026-11-01T23:30", "zone": "Europe/Lisbon"}
    order(handlers.FixOpening, id="late", venue="shed", name="The late show", anchor=evening)
    with_opening = of_run(plates).roll_ends
    assert with_opening is not None and with_opening.warning is not None
    assert with_opening.warning.startswith("2026-11-01 20:")
    assert "on the day of The late show: change it before" in with_opening.warning
    week = {"sunday": [{"opens": "10:00", "closes": "18:00"}]}
    set_hours("shed", structure({"week": week}, Hours), by())
    closed = of_run(plates).roll_ends
    assert closed is not None and closed.warning is not None
    assert closed.warning.endswith("on the day of The late show and while the venue is closed: change it before")
    open_late = {"sunday": [{"opens": "10:00", "closes": "24:00"}]}
    set_hours("shed", structure({"week": open_late}, Hours), by())
    assert of_run(plates).roll_ends == with_opening
    assert format_instant(with_opening.at).endswith("Z")
