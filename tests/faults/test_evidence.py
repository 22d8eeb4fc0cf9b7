"""The evidence of a board and its copy: which of two papers shows what."""

from __future__ import annotations

from pathlib import Path

import numpy as np

from machines.drivers.simulated.paper import Paper, PaperWriter, read_paper
from tests.faults.evidence import NODE_KINDS, Common, as_told, joined
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
    assert found is not None
    assert found.laid["column"].tolist() == list(range(30))
    assert found.laid["at"].tolist() == [20.0] * 12 + [30.0] * 18
    assert (found.dots == PLATE.running(0, 30)).all()


def test_what_the_original_laid_after_that_is_left_out(tmp_path: Path) -> None:
    original = paper(tmp_path / "original", (0, 20))
    copied = paper(tmp_path / "copy", (15, 16))
    found = joined(original, copied, Common(end=10, uncut=frozenset()))
    assert found is not None
    assert found.laid["column"].tolist() == [*range(10), 15]
    assert not found.dots[:, 10:15].any()


def test_a_cut_that_was_still_due_is_each_ones_own(tmp_path: Path) -> None:
    original = paper(tmp_path / "original", (0, 20), cuts=(2, 5, 14))
    copied = paper(tmp_path / "copy", (12, 30), cuts=(5,))
    found = joined(original, copied, Common(end=12, uncut=frozenset({5})))
    assert found is not None
    assert found.cuts["place"].tolist() == [2, 5]
    assert found.cuts["at"].tolist() == [1002.0, 1005.0]


def test_before_either_laid_anything_there_is_the_others(tmp_path: Path) -> None:
    only = paper(tmp_path, (0, 3))
    common = Common(end=0, uncut=frozenset())
    assert joined(None, only, common) is only
    assert joined(only, None, common) is only
    assert joined(None, None, common) is None


def test_every_kind_of_entry_is_what_a_board_told() -> None:
    assert {"node-started", "columns-printed", "gap-settled", "operator-acted"} <= NODE_KINDS
    assert "node-enrolled" not in NODE_KINDS


def test_what_was_taken_but_for_one_word_is_told_as_the_board_told_it_and_what_was_set_aside_if_asked_for() -> None:
    started, armed = {"seq": 1, "at": "2026-09-01T04:37:04Z"}, {"seq": 2, "at": "2026-09-01T04:38:00Z"}
    whole, aside = started | {"at": "2026-09-01T04:47:03Z"}, {"seq": 3, "at": "2026-09-01T04:39:00Z"}
    facts = [
        {"kind": "node-enrolled", "data": {"epoch": 1}},
        {"kind": "node-started", "data": started},
        {"kind": "entry-read-in-part", "data": {"seq": 1, "entry": whole, "field": "at", "problem": "to come"}},
        {"kind": "knife-armed", "data": armed},
        {"kind": "entry-set-aside", "data": {"seq": 3, "entry": aside, "field": "columns", "problem": "told before"}},
    ]
    assert as_told(facts) == [whole, armed]
    assert as_told(facts, set_aside=True) == [whole, armed, aside]
