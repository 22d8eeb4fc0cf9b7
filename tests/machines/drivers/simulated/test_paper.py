"""The simulated paper: what was laid is there, in its place, after any end of the writer."""

from __future__ import annotations

import io
import os
import signal
import subprocess
import sys
from pathlib import Path

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from PIL import Image

from machines.drivers.simulated.paper import NO_COLUMN, RAGGED, PaperWriter, paper_png, read_paper
from machines.errors import InputError
from tests.machines.node.relay import line_profile

PROFILE = line_profile(dots_across=19)
KILLED_WRITER = """
import os, signal, sys
from pathlib import Path
import numpy as np
from machines.drivers.simulated.paper import PaperWriter
from tests.machines.node.relay import line_profile
paper = PaperWriter(Path(sys.argv[1]), line_profile(dots_across=19))
for place in range(20):
    paper.lay(place, np.full((19, 1), place % 2 == 0), 100 + place, np.array([1000.0 + place]))
os.kill(os.getpid(), signal.SIGKILL)
"""


def dots(seed: int, columns: int) -> np.ndarray:
    return np.random.default_rng(seed).random((19, columns)) < 0.5


@given(st.lists(st.tuples(st.integers(0, 9), st.integers(1, 9)), min_size=1, max_size=8))
def test_columns_lie_where_they_were_laid(
    tmp_path_factory: pytest.TempPathFactory, steps: list[tuple[int, int]]
) -> None:
    folder = tmp_path_factory.mktemp("paper")
    paper = PaperWriter(folder, PROFILE)
    expected = np.zeros((19, sum(map(sum, steps))), dtype=np.bool_)
    place, column = 0, 500
    for index, (left_out, count) in enumerate(steps):
        place += left_out
        expected[:, place : place + count] = dots(index, count)
        paper.lay(place, dots(index, count), column, np.arange(count) + float(index))
        place, column = place + count, column + count
        assert paper.end == place
    found = read_paper(folder)
    assert (found.dots == expected[:, :place]).all()
    assert found.laid["column"].tolist() == list(range(500, column))
    assert found.laid["place"].size == found.laid["at"].size == column - 500
    paper.close()


def test_a_paper_goes_on_where_it_ended(tmp_path: Path) -> None:
    first = PaperWriter(tmp_path, PROFILE)
    first.lay(3, dots(1, 4), 10, np.zeros(4))
    first.close()
    second = PaperWriter(tmp_path, PROFILE)
    assert second.end == 7
    second.lay(7, dots(2, 2), 14, np.zeros(2))
    second.close()
    assert read_paper(tmp_path).laid["place"].tolist() == [3, 4, 5, 6, 7, 8]


def test_all_of_it_is_there_after_a_kill(tmp_path: Path) -> None:
    ended = subprocess.run([sys.executable, "-c", KILLED_WRITER, str(tmp_path)], env={**os.environ}, check=False)
    assert ended.returncode == -signal.SIGKILL
    paper = read_paper(tmp_path)
    assert paper.laid["column"].tolist() == list(range(100, 120))
    assert paper.laid["at"].tolist() == [1000.0 + place for place in range(20)]
    assert (paper.dots == (np.arange(20) % 2 == 0)).all()


def test_a_record_cut_short_is_no_record(tmp_path: Path) -> None:
    paper = PaperWriter(tmp_path, PROFILE)
    paper.lay(0, dots(1, 3), 0, np.zeros(3))
    paper.close()
    ledger = tmp_path / "paper.ledger"
    ledger.write_bytes(ledger.read_bytes()[:-5])
    assert read_paper(tmp_path).laid["place"].tolist() == [0, 1]
    again = PaperWriter(tmp_path, PROFILE)
    again.lay(again.end, dots(2, 1), 2, np.array([7.0]))
    again.close()
    assert read_paper(tmp_path).laid["at"].tolist() == [0.0, 0.0, 7.0]


def test_dots_without_a_record_were_not_laid(tmp_path: Path) -> None:
    """The process was killed between the two; what is laid later, further on, must not lie beside them."""
    paper = PaperWriter(tmp_path, PROFILE)
    paper.lay(0, dots(1, 3), 0, np.zeros(3))
    paper.lay(3, np.ones((19, 4), dtype=np.bool_), 3, np.zeros(4))
    paper.close()
    ledger = tmp_path / "paper.ledger"
    ledger.write_bytes(ledger.read_bytes()[: -4 * 32])
    again = PaperWriter(tmp_path, PROFILE)
    again.lay(9, dots(2, 1), 9, np.zeros(1))
    again.close()
    found = read_paper(tmp_path)
    assert not found.dots[:, 3:9].any()
    assert (found.dots[:, :3] == dots(1, 3)).all() and (found.dots[:, 9:] == dots(2, 1)).all()


def test_cuts_and_refusals_are_told_apart(tmp_path: Path) -> None:
    paper = PaperWriter(tmp_path, PROFILE)
    paper.lay(0, dots(1, 3), 40, np.zeros(3))
    paper.cut(2, 5.0)
    paper.refuse(1, 41, 2, 6.0)
    found = read_paper(tmp_path)
    assert found.cuts[["place", "column", "at"]].tolist() == [(2, NO_COLUMN, 5.0)]
    assert found.refused[["place", "column", "at"]].tolist() == [(1, 41, 6.0), (2, 42, 6.0)]
    assert found.laid.size == 3
    paper.close()


def test_seen_from_the_front_the_newest_column_of_paper_moving_right_is_at_the_left(tmp_path: Path) -> None:
    paper = PaperWriter(tmp_path, PROFILE)
    laid = dots(1, 30)
    paper.lay(0, laid, 0, np.zeros(30))
    paper.close()

    def seen(travel: str | None) -> np.ndarray:
        with Image.open(io.BytesIO(paper_png(tmp_path, 10, 35, travel))) as image:  # type: ignore[arg-type]
            assert image.mode == "1"
            return ~np.asarray(image)

    in_phase = np.concatenate([laid[:, 10:], np.zeros((19, 5), dtype=np.bool_)], axis=1)
    assert (seen(None) == in_phase).all()
    assert (seen("left") == in_phase).all()
    assert (seen("right") == in_phase[:, ::-1]).all()


def test_another_machines_paper_is_not_printed_on(tmp_path: Path) -> None:
    PaperWriter(tmp_path, PROFILE).close()
    for changes in ({"dots_across": 20}, {"columns_per_turn": 721}, {"travel": "left"}):
        with pytest.raises(InputError, match="another folder"):
            PaperWriter(tmp_path, line_profile(**{"dots_across": 19, **changes}))


def test_without_a_paper_there_is_nothing_to_see(tmp_path: Path) -> None:
    for look in (lambda: read_paper(tmp_path), lambda: paper_png(tmp_path, 0, 1, None)):
        with pytest.raises(InputError, match="no paper"):
            look()


def test_a_new_paper_is_blank(tmp_path: Path) -> None:
    PaperWriter(tmp_path, PROFILE).close()
    paper = read_paper(tmp_path)
    assert paper.dots.shape == (19, 0)
    assert paper.laid.size == paper.cuts.size == paper.refused.size == 0


def test_columns_lie_where_they_truly_came_to_lie(tmp_path: Path) -> None:
    paper = PaperWriter(tmp_path, PROFILE)
    laid = dots(1, 4)
    paper.lay(0, laid[:, :2], 0, np.zeros(2))
    paper.lay(2, laid[:, 2:], 2, np.zeros(2), np.array([1.4, 7.6]))
    assert paper.end == 4, "what was ordered decides where it may go on"
    paper.close()
    found = read_paper(tmp_path)
    assert found.laid["place"].tolist() == [0, 1, 2, 3]
    assert found.true_places.tolist() == [0.0, 1.0, 1.4, 7.6]
    assert (found.dots[:, 0] == laid[:, 0]).all()
    assert (found.dots[:, 1] == (laid[:, 1] | laid[:, 2])).all(), "both lie there"
    assert (found.dots[:, 8] == laid[:, 3]).all()
    assert not found.dots[:, 2:8].any()
    assert PaperWriter(tmp_path, PROFILE).end == 4


def test_true_places_that_are_as_ordered_take_no_records(tmp_path: Path) -> None:
    paper = PaperWriter(tmp_path, PROFILE)
    paper.lay(5, dots(1, 3), 0, np.zeros(3), np.array([5.0, 6.0, 7.0]))
    paper.cut(5, 1.0, true_place=5.0)
    assert not read_paper(tmp_path).elsewhere.size


def test_cuts_keep_where_and_how_they_were_made(tmp_path: Path) -> None:
    paper = PaperWriter(tmp_path, PROFILE)
    paper.lay(0, dots(1, 9), 0, np.zeros(9))
    paper.cut(2, 10.0)
    paper.cut(4, 11.0, true_place=3.25, ragged=True)
    assert paper.cut_at == [10.0, 11.0]
    found = read_paper(tmp_path)
    assert found.cuts["place"].tolist() == [2, 4]
    assert found.true_cuts.tolist() == [2.0, 3.25]
    assert (found.cuts["kind"] == RAGGED).tolist() == [False, True]
    assert PaperWriter(tmp_path, PROFILE).cut_at == [10.0, 11.0]


@given(st.lists(st.floats(0.0, 3.0), min_size=1, max_size=40))
def test_whatever_the_steps_every_dot_is_somewhere_near(
    tmp_path_factory: pytest.TempPathFactory, steps: list[float]
) -> None:
    folder = tmp_path_factory.mktemp("paper")
    true_places = np.cumsum(steps)
    laid = dots(3, len(steps))
    paper = PaperWriter(folder, PROFILE)
    paper.lay(0, laid, 0, np.zeros(len(steps)), true_places)
    expected = np.zeros((19, max(len(steps), int(np.rint(true_places[-1])) + 1)), dtype=np.bool_)
    for column, place in zip(laid.T, np.rint(true_places).astype(int), strict=True):
        expected[:, place] |= column
    found = read_paper(folder)
    assert np.array_equal(found.dots, expected)
    assert found.true_places.tolist() == true_places.tolist()
