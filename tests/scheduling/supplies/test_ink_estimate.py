"""The ink of a run before it is planned, against the dots of the plates that are drawn when it is."""

from __future__ import annotations

from collections.abc import Callable, Hashable
from datetime import timedelta
from pathlib import Path
from typing import Any
from unittest.mock import patch

import numpy as np
import pytest

from machines.imaging.dot_gain import ToneCurve
from machines.imaging.halftone import Method, asked_of, to_dots
from machines.serialization import structure
from scheduling.background.extend_plans import extend_plans
from scheduling.commands.handlers import AddSource
from scheduling.commands.plan_run import PlanRun
from scheduling.commands.preview_run import check_run
from scheduling.log.models import Machine, Run
from scheduling.planning.opening_hours import Hours, OpenSpan, Week
from scheduling.queries.machine_context import machine_context
from scheduling.rendering import render
from scheduling.rendering.plate_store import PlateStore
from scheduling.supplies import ink_estimate
from scheduling.supplies.consumption import part_supplies
from scheduling.supplies.ink_estimate import InkEstimate, Made, anew
from tests.scheduling.house import MOON, NOON, PROFILE, by, furnish, order, plan, run_order, set_hours

pytestmark = pytest.mark.django_db
ML_PER_DOT = 2 * 10.0e-9  # two passes of drops of 10 pl
IDLE = {"drops": 50, "every_s": 600.0}
IDLE_ML_PER_S = 8 * 50 * 10.0e-9 / 600.0  # eight nozzles
LINE = {"kind": "line", "dot_current_a": 0.03, "supply_current_a": 0.6, "strobe_s": 0.002}


def head(**changes: Any) -> dict[str, Any]:
    return PROFILE["head"] | changes


def told(days: float = 3.3, made: Made = anew, **fields: Any) -> InkEstimate:
    """The run begins and ends within a turn."""
    asked = run_order(**{"ends_at": (NOON + timedelta(days=days)).isoformat()} | fields)
    found = check_run(structure(asked, PlanRun), NOON, None, made).ink
    assert found is not None
    return found


def drawn(folder: Path, days: float = 3.3, **fields: Any) -> float:
    """Millilitres of the dots of its plates, once it is planned."""
    plan(ends_at=(NOON + timedelta(days=days)).isoformat(), **fields)
    plates = PlateStore(folder)
    extend_plans(NOON, timedelta(days=days + 2), plates)
    machine = machine_context(Machine.objects.get(), NOON)
    (run,) = machine.runs
    used = part_supplies(machine, run, plates)
    assert used.estimated_columns == 0 and used.supplies.picture_ml is not None
    return used.supplies.picture_ml


def test_a_picture_drawn_as_fine_as_it_is_printed_comes_to_its_dots(tmp_path: Path) -> None:
    """A turn of 240 columns is drawn whole; 3.3 turns of a map begin and end where it is darker and lighter."""
    furnish()
    ink = told()
    assert (ink.drawn_columns, ink.columns_per_turn, ink.drawn_turns) == (240, 240, 1)
    assert ink.picture_ml == pytest.approx(drawn(tmp_path), rel=0.05)
    assert ink.picture_ml != pytest.approx(told_by_the_mean(ink), rel=0.001)


def told_by_the_mean(ink: InkEstimate) -> float:
    """As if every column was as dark as the mean of a turn: by a run of a whole one."""
    return (
        told(
            1.0,
            id="turn",
            starts_at=(NOON + timedelta(days=9)).isoformat(),
            ends_at=(NOON + timedelta(days=10)).isoformat(),
        ).picture_ml
        * 3.3
    )


def test_drawn_with_fewer_columns_it_is_near_them_and_says_so(tmp_path: Path) -> None:
    furnish(columns_per_turn=2400, dots_across=400)
    ink = told()
    assert (ink.drawn_columns, ink.columns_per_turn) == (960, 2400)
    assert ink.picture_ml == pytest.approx(drawn(tmp_path), rel=0.03)


def test_of_a_moon_several_turns_are_drawn_over_the_run(tmp_path: Path) -> None:
    """A synodic month of it, from new to full and back: the first turn alone would be far off."""
    furnish(MOON)
    month = {"days": 29.5, "cycle": "lunar-day"}
    ink = told(**month)
    assert (ink.drawn_columns, ink.drawn_turns) == (240, 8)
    true = drawn(tmp_path, **month)
    assert ink.picture_ml == pytest.approx(true, rel=0.1)
    with patch.object(ink_estimate, "MOST_TURNS", 1):
        assert told(
            id="other",
            starts_at=(NOON + timedelta(days=60)).isoformat(),
            ends_at=(NOON + timedelta(days=89.5)).isoformat(),
            cycle="lunar-day",
        ).picture_ml != pytest.approx(true, rel=0.3)


def test_what_keeps_nozzles_open_and_how_many_cartridges_that_is() -> None:
    furnish(head=head(cartridge_ml=0.01, idle_firing=IDLE))
    ink = told()
    assert ink.idle_ml == pytest.approx(3.3 * 86400 * IDLE_ML_PER_S)
    assert ink.cartridges == pytest.approx((ink.picture_ml + ink.idle_ml) / 0.01)


def test_where_the_model_says_neither_nothing_is_made_up() -> None:
    furnish()
    ink = told()
    assert (ink.idle_ml, ink.cartridges) == (None, None)


def test_a_line_head_has_no_ink() -> None:
    furnish(head=LINE)
    asked = structure(
        {
            "id": "first", "machine": "one", "source": "picture", "cycle": "apparent-solar-day",
            "starts_at": NOON.isoformat(), "ends_at": (NOON + timedelta(days=1)).isoformat(),
            "policy": {"kind": "skip"},
        },
        PlanRun,
    )  # fmt: skip
    assert check_run(asked, NOON, None).ink is None


def test_what_is_never_laid_takes_none() -> None:
    """Open by day only, of 24 hours half: what is left out is not the other half by mean, but those columns."""
    furnish()
    whole = told()
    by_day = (OpenSpan(opens="06:00", closes="18:00"),)
    set_hours("shed", Hours(week=Week(**dict.fromkeys(DAYS, by_day))), by())
    half = told(only_while_open=True)
    assert 0.0 < half.picture_ml < whole.picture_ml


DAYS = ("monday", "tuesday", "wednesday", "thursday", "friday", "saturday", "sunday")


@pytest.mark.parametrize("method", ["blue-noise", "diffusion", "ordered", "line-art"])
@pytest.mark.parametrize("curve", [None, ToneCurve(asked=(0.0, 0.5, 1.0), printed=(0.0, 0.7, 1.0))])
def test_the_mean_of_what_is_asked_is_that_of_the_dots(method: Method, curve: ToneCurve | None) -> None:
    tone = np.tile(np.linspace(0.0, 1.0, 512, dtype=np.float32), (512, 1))
    assert asked_of(tone, method, curve).mean() == pytest.approx(to_dots(tone, method, curve).mean(), abs=0.005)


def test_the_same_drawing_is_not_made_again() -> None:
    furnish()
    kept: dict[Hashable, bytes] = {}

    def made(depends_on: Hashable, make: Callable[[], bytes]) -> bytes:
        return kept[depends_on] if depends_on in kept else kept.setdefault(depends_on, make())

    with patch.object(ink_estimate, "draw_small", wraps=render.draw_small) as drawing:
        first, again = told(made=made), told(days=4.3, made=made)
    assert drawing.call_count == 1 == len(kept)
    assert again.picture_ml > first.picture_ml
    other = furnish_another({"kind": "stars", "south_degrees": -20.0, "north_degrees": 40.0})
    assert told(made=made, source=other).picture_ml != first.picture_ml and len(kept) == 2


def furnish_another(picture: dict[str, Any]) -> str:
    order(AddSource, id="another", name="Another", picture=picture)
    return "another"


@pytest.mark.parametrize("turns", [1, 2, 7, 8, 9, 10, 11, 12, 29, 30, 365])
def test_no_turn_is_drawn_twice(turns: int) -> None:
    run = Run(first_column=5 * 240 + 7, end_column=(5 + turns) * 240)
    spread = ink_estimate._spread(run, 240)
    assert len(spread) == len(set(spread)) == min(turns, 8)
    assert spread[0] == 5 and all(5 <= number < 5 + turns for number in spread)


@pytest.mark.parametrize("turns", [9, 10, 11])
def test_as_many_turns_are_told_as_were_drawn(turns: int) -> None:
    furnish(MOON)
    with patch.object(ink_estimate, "draw_small", wraps=render.draw_small) as drawing:
        assert told(days=float(turns)).drawn_turns == 8
    assert len({call.args[3] for call in drawing.call_args_list}) == 8


def test_of_wide_paper_and_a_short_turn_no_more_rows_are_drawn_than_1920(tmp_path: Path) -> None:
    furnish(dots_across=2400)
    shapes = []

    def small(*args: Any) -> Any:
        shapes.append((tone := render.draw_small(*args)).shape)
        return tone

    with patch.object(ink_estimate, "draw_small", small):
        ink = told()
    assert shapes == [(1920, 240)]
    assert ink.picture_ml == pytest.approx(drawn(tmp_path), rel=0.05)
