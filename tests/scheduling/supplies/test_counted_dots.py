"""What a forecast counts of a run's past, as its row has it, is what reading all of it comes to; and no row of it is
read."""

from __future__ import annotations

from collections.abc import Callable, Iterator, Sequence
from contextlib import contextmanager
from dataclasses import replace
from datetime import timedelta
from itertools import count
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from django.db import connection, transaction
from django.db.models.signals import post_init
from django.test.utils import CaptureQueriesContext
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from machines.protocol.journal_entries import ColumnsPrinted, Entry, OperatorActed
from machines.protocol.messages import SegmentWork
from scheduling.background import extend_plans as planning
from scheduling.commands.enrol_node import enrol
from scheduling.log.models import Machine, PrintedStretch, Run, Segment, SupplyChange
from scheduling.nodes.reports import take
from scheduling.queries.machine_context import machine_context
from scheduling.rendering.plate_dots import dots_of_segments
from scheduling.rendering.plate_store import PlateStore
from scheduling.supplies.consumption import mean_dots, planned_dots
from scheduling.supplies.counted_dots import dots_laid, mean_drawn
from scheduling.supplies.forecast import forecast
from scheduling.supplies.parts import cartridge
from scheduling.supplies.remaining_work import RemainingWork
from tests.scheduling.house import MOON, NOON, PROFILE, batch, by, end_run_after, furnish, plan, printed, small_profile

pytestmark = pytest.mark.django_db
# By digest, which means the same dots for ever.
COLUMNS_OF: dict[str, np.ndarray] = {}
KNOWN: tuple[Callable[[int], bool], ...] = (lambda _: True, lambda _: False, lambda turn: turn % 2 == 0)


@pytest.fixture(params=KNOWN, ids=["said", "never-said", "said-of-some-turns"])
def plates(request: pytest.FixtureRequest, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> PlateStore:
    """Four days of a moon that changes, of which the dots were said as they were planned, or not."""

    def said(store: PlateStore, plate: str, segments: Sequence[SegmentWork]) -> tuple[int, ...]:
        is_said = request.param(segments[0].first_column // 240)
        return dots_of_segments(store, plate, segments) if is_said else ()

    monkeypatch.setattr(planning, "dots_of_segments", said)
    return begun(tmp_path, days=4)


def begun(folder: Path, days: int) -> PlateStore:
    furnish(MOON, head=PROFILE["head"] | {"cartridge_ml": 40.0})
    plan(ends_at=(NOON + timedelta(days=days)).isoformat())
    plates = PlateStore(folder)
    planning.extend_plans(NOON, timedelta(days=days + 1), plates)
    enrol("one", by())
    return plates


# What becomes of one segment after the other: laid whole, in two reports, its beginning only, twice, or not at all.
BECOMES = st.lists(
    st.sampled_from(("whole", "whole", "whole", "halves", "begun", "twice", "missed", "cartridge")), max_size=40
)


def told(becomes: Sequence[str]) -> Iterator[Entry]:
    """The reports of that, laid side by side."""
    numbers, place = count(1), 0
    segments = iter(Segment.objects.order_by("number"))
    for what in becomes:
        if what == "cartridge":
            yield OperatorActed(seq=next(numbers), at=NOON + timedelta(hours=1), action="cartridge-changed")
            continue
        one = next(segments)
        middle = (one.first_column + one.end_column) // 2
        parts = {
            "halves": [(one.first_column, middle), (middle, one.end_column)],
            "begun": [(one.first_column, middle)],
            "twice": [(one.first_column, one.end_column)] * 2,
            "missed": [],
        }
        for first, end in parts.get(what, [(one.first_column, one.end_column)]):
            yield laid(next(numbers), one, first, end, place)
            place += end - first


def laid(seq: int, segment: Segment, first: int, end: int, place: int) -> ColumnsPrinted:
    return replace(printed(seq, segment.number, first, end, end - first, place), at=segment.ends_at)


def dots_in(plates: PlateStore, digest: str, first: int, end: int) -> int:
    """Of running columns of a plate."""
    if digest not in COLUMNS_OF:
        COLUMNS_OF[digest] = plates.get(digest).dots.sum(axis=0)
    return int(COLUMNS_OF[digest][np.arange(first, end) % 240].sum())


def plainly_laid(plates: PlateStore, since: int = 0) -> int:
    """Column by column, of all that lies there."""
    plate_of = dict(Segment.objects.values_list("number", "plate"))
    here = PrintedStretch.objects.filter(paper_position__gte=since)
    return sum(dots_in(plates, plate_of[one.segment], one.first_column, one.end_column) for one in here)


def plainly_drawn(plates: PlateStore) -> tuple[int, int]:
    every = list(Segment.objects.all())
    dots = sum(dots_in(plates, one.plate, one.first_column, one.end_column) for one in every)
    return sum(one.end_column - one.first_column for one in every), dots


def plainly_due(plates: PlateStore) -> tuple[list[int], list[int]]:
    columns, dots = [], []
    for one in Segment.objects.order_by("number").exclude(state=Segment.WITHDRAWN):
        done = {column for first, end, _ in one.outcomes for column in range(first, end)}
        again = {column for first, end in one.again for column in range(first, end)}
        for column in range(one.first_column, one.end_column):
            if column not in done or column in again:
                columns.append(column)
                dots.append(dots_in(plates, one.plate, column, column + 1))
    return columns, dots


def require_equal(plates: PlateStore) -> None:
    """All that is counted, against reading all of it."""
    run, profile = Run.objects.get(), small_profile()
    context = machine_context(Machine.objects.get(), NOON)
    work = RemainingWork.of(context, run, plates, NOON, None)
    columns, dots = plainly_drawn(plates)
    stretches = [(one.paper_position, one.end_column - one.first_column) for one in PrintedStretch.objects.all()]
    assert mean_drawn(run, profile, plates) == work.dots_per_column == dots / columns
    assert work.printed_dots == plainly_laid(plates)
    assert work.fed == (max(map(sum, stretches)) - min(stretches)[0] if stretches else 0)
    assert (work.due.tolist(), work.due_dots.tolist()) == plainly_due(plates)
    newest = SupplyChange.objects.filter(part=SupplyChange.CARTRIDGE).order_by("version").last()
    since = newest.paper_position if newest is not None else 0
    assert sum(dots_laid([run], lambda _: profile, plates, since).values()) == plainly_laid(plates, since)
    at_machine = cartridge(context, plates, NOON, None)
    assert at_machine is not None
    assert at_machine.used_ml == pytest.approx(plainly_laid(plates, since) * 2 * 10.0e-9)


@settings(suppress_health_check=(HealthCheck.function_scoped_fixture,), deadline=None, max_examples=15)
@given(becomes=BECOMES, ended_after_h=st.none() | st.integers(1, 90))
def test_it_is_what_reading_all_of_it_comes_to(
    plates: PlateStore, becomes: Sequence[str], ended_after_h: int | None
) -> None:
    with transaction.atomic():
        if entries := list(told(becomes)):
            take("one", batch(*entries), by(at=NOON + timedelta(days=30)))
        if ended_after_h is not None:
            end_run_after(float(ended_after_h))
        require_equal(plates)
        transaction.set_rollback(True)


@pytest.mark.parametrize("first, end", [(0, 960), (3, 700), (240, 480), (100, 101)])
def test_any_columns_of_the_plan_are_counted(plates: PlateStore, first: int, end: int) -> None:
    run, profile = Run.objects.get(), small_profile()
    columns = range(run.first_column + first, min(run.first_column + end, run.end_column))
    dots = sum(
        dots_in(plates, one.plate, max(one.first_column, columns.start), min(one.end_column, columns.stop))
        for one in Segment.objects.filter(first_column__lt=columns.stop, end_column__gt=columns.start)
    )
    assert planned_dots(run, columns, profile, plates) == (len(columns), dots)
    assert mean_dots(run, profile, plates) == pytest.approx(mean_drawn(run, profile, plates))


@contextmanager
def rows_made() -> Iterator[dict[str, int]]:
    """How many rows become objects, by table."""
    made = {"Segment": 0, "PrintedStretch": 0}

    def add(sender: type[Any], **_: Any) -> None:
        made[sender.__name__] = made.get(sender.__name__, 0) + 1

    post_init.connect(add)
    try:
        yield made
    finally:
        post_init.disconnect(add)


def test_nothing_of_the_past_is_read(tmp_path: Path) -> None:
    """Of what is whole and printed no row is, however long the past: only the segments to come are."""
    plates = begun(tmp_path, days=4)
    asked = []
    for days, reports in ((1, 20), (3, 120)):
        segments = list(Segment.objects.order_by("number"))[:reports]
        known = PrintedStretch.objects.count()
        first = Run.objects.get().first_column
        entries = [
            laid(known + seq, one, one.first_column, one.end_column, one.first_column - first)
            for seq, one in enumerate(segments[known:], 1)
        ]
        take("one", batch(*entries), by(at=NOON + timedelta(days=30)))
        with rows_made() as made, CaptureQueriesContext(connection) as queries:
            now = NOON + timedelta(days=days)
            found = forecast(machine_context(Machine.objects.get(), now), now, plates)
        to_come = Segment.objects.filter(outcomes=[]).count()
        assert found.run is not None and found.run.used.paper_mm > 0 and found.cartridge is not None
        assert made["PrintedStretch"] == 0 and made["Segment"] == to_come, days
        asked.append(len(queries))
    assert asked[0] == asked[1]


def test_a_part_of_a_segment_is_counted_from_its_plate_alone(tmp_path: Path) -> None:
    plates = begun(tmp_path, days=4)
    one, two, *_ = Segment.objects.order_by("number")
    middle = (one.first_column + one.end_column) // 2
    entries = [laid(1, one, one.first_column, middle, 0)]
    entries.append(laid(2, two, two.first_column, two.end_column, middle - one.first_column))
    take("one", batch(*entries), by(at=NOON + timedelta(days=30)))
    assert list(PrintedStretch.objects.order_by("version").values_list("dots", flat=True)) == [None, two.dots]
    assert np.isclose(Run.objects.get().laid_dots, two.dots)
    require_equal(plates)
