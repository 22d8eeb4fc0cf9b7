"""The evidence of a board and its copy: which of two papers shows what."""

from __future__ import annotations

from pathlib import Path

import numpy as np

from machines.drivers.simulated.paper import Paper, PaperWriter, read_paper
from tests.faults.copies import Common, joined
from tests.faults.gathering import read_what_lies
from tests.machines.node.relay import line_profile, picture

PROFILE = line_profile()
PLATE = picture(PROFILE)


def paper(folder: Path, *stretches: tuple[int, int], cuts: tuple[int, ...] = ()) -> Paper:
    """Columns at the places of the same number, and cuts."""
    writer = PaperWriter(folder, PROFILE)
    for first, end in stretches:
        writer.lay(first, PLATE.running(first, end), first, np.full(end - first, float(end)))
    for place in cuts:
        writer.cut(place, 1000.0 + place)
    writer.close()
    return read_paper(folder)


def test_up_to_where_they_part_the_paper_of_both_is_the_originals(tmp_path: Path) -> None:
    original = paper(tmp_path / "original", (0, 20))
    copied = paper(tmp_path / "copy", (12, 30))
    found = joined(original, copied, Common(end=12, uncut=frozenset()))
    assert found.laid["column"].tolist() == list(range(30))
    assert found.laid["at"].tolist() == [20.0] * 12 + [30.0] * 18
    assert (found.dots == PLATE.running(0, 30)).all()


def test_what_the_original_laid_after_that_is_left_out(tmp_path: Path) -> None:
    original = paper(tmp_path / "original", (0, 20))
    copied = paper(tmp_path / "copy", (15, 16))
    found = joined(original, copied, Common(end=10, uncut=frozenset()))
    assert found.laid["column"].tolist() == [*range(10), 15]
    assert not found.dots[:, 10:15].any()


def test_a_cut_that_was_still_due_is_each_ones_own(tmp_path: Path) -> None:
    original = paper(tmp_path / "original", (0, 20), cuts=(2, 5, 14))
    copied = paper(tmp_path / "copy", (12, 30), cuts=(5,))
    found = joined(original, copied, Common(end=12, uncut=frozenset({5})))
    assert found.cuts["place"].tolist() == [2, 5]
    assert found.cuts["at"].tolist() == [1002.0, 1005.0]


def test_a_copy_that_laid_nothing_has_only_what_lay_there_when_it_was_made(tmp_path: Path) -> None:
    original, blank = paper(tmp_path / "one", (0, 20)), read_what_lies(tmp_path / "none", PROFILE)
    found = joined(original, blank, Common(end=12, uncut=frozenset()))
    assert found.laid["column"].tolist() == list(range(12))
    assert (found.dots == PLATE.running(0, 12)).all()


def test_before_the_original_laid_anything_there_is_the_copys(tmp_path: Path) -> None:
    only, blank = paper(tmp_path / "one", (0, 3)), read_what_lies(tmp_path / "none", PROFILE)
    common = Common(end=0, uncut=frozenset())
    assert joined(blank, only, common) is only
    assert joined(blank, blank, common).dots.shape == (PROFILE.dots_across, 0)


def test_what_lies_elsewhere_does_so_on_both(tmp_path: Path) -> None:
    folder = tmp_path / "original"
    writer = PaperWriter(folder, PROFILE)
    writer.lay(0, PLATE.running(0, 4), 0, np.full(4, 4.0), np.array([0.0, 1.25, 2.25, 3.25]))
    writer.close()
    found = joined(read_paper(folder), paper(tmp_path / "copy", (3, 6)), Common(end=3, uncut=frozenset()))
    assert found.true_places.tolist() == [0, 1.25, 2.25, 3, 4, 5]
