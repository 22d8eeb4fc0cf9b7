"""What a turn, a segment and a run use up, from the plates that they are printed from."""

from __future__ import annotations

from dataclasses import fields
from datetime import timedelta
from pathlib import Path
from typing import Any

import pytest

from machines.errors import InputError
from machines.model.profile import IdleFiring
from scheduling.log.models import Machine, Run, Segment
from scheduling.queries.machine_context import machine_context
from scheduling.rendering.plate_store import PlateStore
from scheduling.supplies.consumption import PartSupplies, Supplies, part_supplies
from tests.scheduling.house import MOON, NOON, furnish, plan, ready, run_timeline

pytestmark = pytest.mark.django_db
ML_PER_DOT = 2 * 10.0e-9  # two passes of drops of 10 pl
IDLE = IdleFiring(drops=50, every_s=600.0)


def told(plates: PlateStore, idle: IdleFiring | None = None, **part: Any) -> PartSupplies:
    return part_supplies(machine_context(Machine.objects.get(), NOON), Run.objects.get(), plates, idle, **part)


def dots_in(plates: PlateStore, first: int, end: int) -> int:
    return int(plates.get(Segment.objects.values_list("plate", flat=True)[0]).running(first, end).sum())


def test_a_segment_is_its_columns(tmp_path: Path) -> None:
    plates = ready(tmp_path)
    for one in Segment.objects.order_by("number")[:12]:
        found = told(plates, idle=IDLE, segment=one.number)
        assert (found.first_column, found.end_column) == (one.first_column, one.end_column)
        assert (found.starts_at, found.ends_at) == (one.starts_at, one.ends_at)
        assert found.supplies.paper_mm == (one.end_column - one.first_column) * 0.5
        assert found.supplies.picture_ml == pytest.approx(
            dots_in(plates, one.first_column, one.end_column) * ML_PER_DOT
        )
        seconds = (one.ends_at - one.starts_at).total_seconds()
        assert found.supplies.idle_ml == pytest.approx(8 * 10.0e-9 * 50 * seconds / 600.0)
        starts = [column for column in range(one.first_column, one.end_column) if column % 20 == 0]
        assert found.supplies.cuts == len(starts)


def test_segments_add_up_to_turns_and_turns_to_the_run(tmp_path: Path) -> None:
    plates, run = ready(tmp_path), Run.objects.get()
    whole = told(plates, idle=IDLE)
    assert (whole.first_column, whole.end_column) == (run.first_column, run.end_column)
    turns = range(run.first_column // 240, (run.end_column - 1) // 240 + 1)
    by_turn = [told(plates, idle=IDLE, turn=turn).supplies for turn in turns]
    by_segment = [told(plates, idle=IDLE, segment=one.number).supplies for one in Segment.objects.all()]
    for field in fields(Supplies):
        total = getattr(whole.supplies, field.name)
        assert sum(getattr(one, field.name) for one in by_turn) == pytest.approx(total)
        assert sum(getattr(one, field.name) for one in by_segment) == pytest.approx(total)


def test_a_turn_of_which_the_run_holds_a_part_is_that_part(tmp_path: Path) -> None:
    plates, run = ready(tmp_path), Run.objects.get()
    turn = run.first_column // 240
    found = told(plates, turn=turn)
    assert (found.first_column, found.end_column) == (run.first_column, (turn + 1) * 240)
    begins = run_timeline(run).instants(run.first_column)[()]
    assert found.starts_at.timestamp() == pytest.approx(begins, abs=1e-3)
    assert found.supplies.idle_ml is None and found.estimated_columns == 0


def test_what_is_not_planned_yet_is_as_dark_as_the_rest(tmp_path: Path) -> None:
    plates = ready(tmp_path, ends_at=(NOON + timedelta(days=30)).isoformat())
    run = Run.objects.get()
    assert run.planned_to_column < run.end_column
    far = (run.end_column - 1) // 240 - 1
    found = told(plates, turn=far)
    planned = told(plates, turn=run.first_column // 240 + 1)
    assert (found.estimated_columns, planned.estimated_columns) == (240, 0)
    assert found.supplies.picture_ml == pytest.approx(planned.supplies.picture_ml, rel=0.02)
    assert found.supplies.cuts == planned.supplies.cuts == 12


def test_of_a_picture_that_was_never_drawn_no_ink_is_known(tmp_path: Path) -> None:
    furnish(MOON)
    plan(cycle="lunar-day")
    found = told(PlateStore(tmp_path))
    assert found.supplies.picture_ml is None
    assert found.estimated_columns == found.end_column - found.first_column


def test_the_profile_says_how_nozzles_are_kept_open(tmp_path: Path) -> None:
    firing = {"drops": 50, "every_s": 600.0}
    furnish(head={"kind": "carriage", "nozzles": 8, "passes": 2, "drop_pl": 10.0, "idle_firing": firing})
    plan()
    plates = PlateStore(tmp_path)
    assert told(plates).supplies == told(plates, idle=IDLE).supplies
    doubled = told(plates, idle=IdleFiring(drops=100, every_s=600.0)).supplies
    assert doubled.idle_ml == pytest.approx(2 * (told(plates).supplies.idle_ml or 0.0))


def test_what_the_run_does_not_hold_is_named(tmp_path: Path) -> None:
    plates, run = ready(tmp_path), Run.objects.get()
    turn = run.first_column // 240
    with pytest.raises(InputError, match=f"give {turn} to {turn + 1}") as raised:
        told(plates, turn=turn - 1)
    assert raised.value.field == "turn"
    first, last = Segment.objects.order_by("number").first(), Segment.objects.order_by("number").last()
    assert first is not None and last is not None
    with pytest.raises(InputError, match=f"give {first.number} to {last.number}") as raised:
        told(plates, segment=last.number + 1)
    assert raised.value.field == "segment"
    with pytest.raises(InputError, match="name a turn or a segment"):
        told(plates, turn=turn, segment=first.number)


def test_a_plate_is_counted_once_for_ever(tmp_path: Path) -> None:
    plates = ready(tmp_path)
    before = told(plates)
    for file in tmp_path.rglob("*.png"):
        file.unlink()
    assert told(plates) == before
