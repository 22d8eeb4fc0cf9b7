"""The paper of a machine as it was reported: every stretch in its place, and nothing where nothing was printed."""

from __future__ import annotations

from dataclasses import replace
from datetime import datetime, timedelta
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from machines.errors import InputError
from machines.model.calibration import Calibration
from scheduling.background.extend_plans import extend_plans
from scheduling.commands.additions import AddSource
from scheduling.log.models import Machine, Run, Segment
from scheduling.nodes.reports import take
from scheduling.paper.printed_paper import Length, dots_on, laid_on, length_at, seams
from scheduling.paper.printed_proof import paper_proof
from scheduling.paper.proof import Faults, Proof
from scheduling.queries.calibration import calibrate
from scheduling.rendering.plate_store import PlateStore
from tests.scheduling.house import NOON, batch, by, long_after, order, plan, printed, ready

pytestmark = pytest.mark.django_db
LATER = NOON + timedelta(days=1)


def tell(*lengths: tuple[int, int, int]) -> None:
    """Report stretches: running columns from the run's first, and the place of the first on the paper. One an hour."""
    first = Run.objects.get().first_column
    entries: list[Any] = []
    for seq, (begin, end, place) in enumerate(lengths, 1):
        segment = Segment.objects.get(first_column__lte=first + begin, end_column__gte=first + end)
        entry = printed(seq, segment.number, first + begin, first + end, end - begin, place)
        entries.append(replace(entry, at=NOON + timedelta(hours=seq)))
    take("one", batch(*entries), long_after())


def segment(number: int) -> tuple[int, int]:
    """The columns of the run's segments, from the run's first."""
    first = Run.objects.get().first_column
    one = Segment.objects.order_by("number")[number]
    return one.first_column - first, one.end_column - first


def length(columns: int, at: datetime = LATER) -> Length | None:
    return length_at(Machine.objects.get(), at, columns)


def proof_of(plates: PlateStore, columns: int, faults: Faults | None = None, at: datetime = LATER) -> Proof:
    found = length(columns, at)
    assert found is not None
    return paper_proof(found, plates, faults or Faults(), None)


def plate_columns(plates: PlateStore, begin: int, end: int) -> np.ndarray:
    first = Run.objects.get().first_column
    digest = Segment.objects.values_list("plate", flat=True)[0]
    return plates.get(digest).running(first + begin, first + end)


def test_nothing_printed_is_no_paper(tmp_path: Path) -> None:
    ready(tmp_path)
    assert length(20) is None
    tell((*segment(1), 0))
    assert length(20, at=NOON) is None


def test_stretches_side_by_side_are_the_plate(tmp_path: Path) -> None:
    plates = ready(tmp_path)
    (a, b), (_, c), (_, d) = segment(1), segment(2), segment(3)
    tell((a, b, 0), (b, c, b - a), (c, d, c - a))
    made = proof_of(plates, d - a)
    assert (made.first, made.dots.shape[1]) == (0, d - a)
    assert np.array_equal(made.dots, plate_columns(plates, a, d))
    assert [ruler.title for ruler in made.above] == ["UTC"]


def test_a_length_that_begins_inside_a_stretch_is_cut_off(tmp_path: Path) -> None:
    plates = ready(tmp_path)
    (a, b), (_, c) = segment(1), segment(2)
    tell((a, b, 0), (b, c, b - a))
    made = proof_of(plates, c - b + 2)
    assert made.first == b - a - 2
    assert np.array_equal(made.dots, plate_columns(plates, b - 2, c))


def test_a_gap_is_blank_and_says_how_long_it_is(tmp_path: Path) -> None:
    plates = ready(tmp_path)
    (a, b), (c, d) = segment(1), segment(3)
    tell((a, b, 0), (c, d, c - a))
    made = proof_of(plates, d - a)
    assert np.array_equal(made.dots[:, : b - a], plate_columns(plates, a, b))
    assert not made.dots[:, b - a : c - a].any()
    assert np.array_equal(made.dots[:, c - a :], plate_columns(plates, c, d))
    (mark,) = made.above[1].marks
    assert (made.above[1].title, mark.column, mark.text) == ("missing", b - a, f"blank {(c - b) * 0.5:g} mm")


def test_columns_left_out_without_a_gap_are_marked(tmp_path: Path) -> None:
    plates = ready(tmp_path)
    (a, b), (c, d) = segment(1), segment(3)
    tell((a, b, 0), (c, d, b - a))
    made = proof_of(plates, 1000)
    assert made.dots.shape[1] == b - a + d - c
    (mark,) = made.above[1].marks
    assert (mark.column, mark.text) == (b - a, f"left out {(c - b) * 0.5:g} mm")


def test_what_was_printed_later_does_not_hang_there_yet(tmp_path: Path) -> None:
    plates = ready(tmp_path)
    (a, b), (_, c) = segment(1), segment(2)
    tell((a, b, 0), (b, c, b - a))
    assert proof_of(plates, 1000, at=NOON + timedelta(hours=1)).dots.shape[1] == b - a
    assert proof_of(plates, 1000, at=NOON + timedelta(hours=2)).dots.shape[1] == c - a


def test_strips_are_cut_at_their_boundaries(tmp_path: Path) -> None:
    plates = ready(tmp_path)  # twelve strips a turn of 240 columns
    spans = [segment(number) for number in range(1, 13)]
    start = spans[0][0]
    tell(*((a, b, a - start) for a, b in spans))
    made = proof_of(plates, 1000)
    first = Run.objects.get().first_column
    assert made.cuts and all((first + start + cut) % 20 == 0 for cut in made.cuts)
    assert len(made.cuts) == pytest.approx(made.dots.shape[1] / 20, abs=1)


def test_a_boundary_among_columns_left_out_moves_to_the_first_after_them(tmp_path: Path) -> None:
    plates = ready(tmp_path)
    (a, b), (c, d) = segment(1), segment(9)
    tell((a, b, 0), (c, d, b - a))
    assert b - a in proof_of(plates, 1000).cuts


def test_the_edge_shows_time_and_right_ascension_of_what_was_printed(tmp_path: Path) -> None:
    plates = ready(tmp_path)
    spans = [segment(number) for number in range(1, 13)]
    start = spans[0][0]
    tell(*((a, b, a - start + 7) for a, b in spans))
    made = proof_of(plates, 1000)
    first = Run.objects.get().first_column
    ascension = made.below[1]
    assert ascension.title == "right ascension"
    for mark in ascension.marks:
        column = first + start + mark.column - 7
        assert float(mark.text.removesuffix("h")) == pytest.approx(column % 240 / 10)
    assert made.above[0].marks


def test_paper_of_two_pictures_has_the_ruler_of_each_along_its_own(tmp_path: Path) -> None:
    plates = ready(tmp_path)
    order(AddSource, id="land", name="Land", picture={"kind": "map", "projection": "mercator"})
    begins = NOON + timedelta(hours=30)
    plan(id="second", source="land", starts_at=begins.isoformat(), ends_at=(begins + timedelta(hours=12)).isoformat())
    extend_plans(NOON, timedelta(hours=192), plates)
    entries, place = [], 0
    for seq, run in enumerate(("first", "second"), 1):
        for one in Segment.objects.filter(run_id=run).order_by("number")[1:4]:
            columns = one.end_column - one.first_column
            entry = printed(len(entries) + 1, one.number, one.first_column, one.end_column, columns, place)
            entries.append(replace(entry, run=run, at=NOON + timedelta(hours=seq)))
            place += columns
    take("one", batch(*entries), long_after())
    _, ascension, longitude = proof_of(plates, place).below
    assert (ascension.title, longitude.title) == ("right ascension", "longitude")
    assert max(mark.column for mark in ascension.marks) < place / 2 < min(mark.column for mark in longitude.marks)


def test_dead_nozzles_and_slip_on_what_was_printed(tmp_path: Path) -> None:
    plates = ready(tmp_path)
    tell((*segment(1), 0))
    whole = proof_of(plates, 1000)
    dead = proof_of(plates, 1000, Faults(dead=tuple(range(8))))
    assert whole.dots.any() and not dead.dots.any()
    assert proof_of(plates, 1000, Faults(slip=0.2)).dots.shape[1] == pytest.approx(0.8 * whole.dots.shape[1], abs=1)
    with pytest.raises(InputError, match="there is no nozzle 8"):
        proof_of(plates, 1000, Faults(dead=(8,)))


def test_a_plate_that_is_gone_is_told(tmp_path: Path) -> None:
    ready(tmp_path)
    tell((*segment(1), 0))
    with pytest.raises(KeyError):
        proof_of(PlateStore(tmp_path / "elsewhere"), 10)


def test_nozzles_that_are_known_to_be_dead_are_left_out_of_the_paper_too(tmp_path: Path) -> None:
    plates, dead = ready(tmp_path), (0, 1, 2, 3, 4, 5)
    (a, b), (_, c) = segment(1), segment(2)
    tell((a, b, 0))
    unnoticed = proof_of(plates, 1000, Faults(dead=dead))
    assert 0 < unnoticed.dots.sum() < plate_columns(plates, a, b).sum()
    assert unnoticed.lost == f"dead unnoticed 0, 1, 2, 3, 4, 5: {15 / 28:.2%} of dots lost"  # C(6, 2) of C(8, 2)
    calibrate("one", Calibration(dead_nozzles=dead), by())
    assert np.array_equal(proof_of(plates, 1000, Faults(dead=dead)).dots, unnoticed.dots), "what is printed is printed"
    tell((a, b, 0), (b, c, b - a))
    known = proof_of(plates, 1000, Faults(dead=dead))
    assert np.array_equal(known.dots[:, : b - a], unnoticed.dots)
    assert np.array_equal(known.dots[:, b - a :], plate_columns(plates, b, c))
    assert known.lost == "left out 0, 1, 2, 3, 4, 5: 0.00% of dots lost"


def test_a_stretch_that_nobody_planned_is_laid_but_blank(tmp_path: Path) -> None:
    plates = ready(tmp_path)
    (a, b), _ = segment(1), segment(2)
    tell((a, b, 0))
    found = length(100)
    assert found is not None
    (one,) = found.stretches
    one.segment = 999
    assert not dots_on(found, plates).any() and laid_on(found).all()


def test_a_seam_is_where_the_paper_went_on_and_the_picture_did_not(tmp_path: Path) -> None:
    ready(tmp_path)
    (a, b), (c, d), (e, f) = segment(1), segment(3), segment(5)
    tell((a, b, 0), (c, d, b - a), (e, f, e - a))
    found = length(1000)
    assert found is not None
    assert seams(found) == (b - a,)  # and none where paper was left blank
    laid = laid_on(found)
    assert laid.sum() == (b - a) + (d - c) + (f - e) and not laid[b - a + d - c : e - a].any()


def test_paper_of_a_timeline_that_has_waited_shows_the_later_time(tmp_path: Path) -> None:
    plates = ready(tmp_path)
    (a, b), (_, c) = segment(1), segment(2)
    tell((a, b, 0), (b, c, b - a))

    def times() -> dict[str, float]:
        return {mark.text: mark.column for mark in proof_of(plates, 1000).above[0].marks}

    before, run = times(), Run.objects.get()
    run.shifts = [[run.first_column + a, 600.0]]
    run.save()
    # Ten minutes later: a column is six minutes.
    after = times()
    both = before.keys() & after.keys()
    assert both and all(after[text] == pytest.approx(before[text] - 600.0 / 360.0, abs=0.02) for text in both)
