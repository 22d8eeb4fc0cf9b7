"""The simulated machine keeps a driver's promises, whatever its head."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from PIL import Image

from machines.drivers import Driver, MachineStopped
from machines.drivers.simulated import machine as module
from machines.drivers.simulated.machine import SimulatedMachine
from machines.drivers.simulated.paper import read_paper
from machines.model.profile import CarriageHead, LineHead, Profile
from tests.machines.node.relay import carriage_profile, line_profile
from tests.machines.node.rig import HandClock

HEADS = [
    CarriageHead(nozzles=1, passes=1, drop_pl=1.0),
    CarriageHead(nozzles=12, passes=3, drop_pl=1.0),
    CarriageHead(nozzles=100, passes=2, drop_pl=1.0),
    LineHead(dot_current_a=0.1, supply_current_a=0.1, strobe_s=0.001),
    LineHead(dot_current_a=0.03, supply_current_a=0.3, strobe_s=0.001),
    LineHead(dot_current_a=0.01, supply_current_a=9.0, strobe_s=0.001),
]


def machine(
    folder: Path, profile: Profile | None = None, clock: HandClock | None = None, seed: int = 3
) -> SimulatedMachine:
    return SimulatedMachine(folder, profile or line_profile(), seed, clock or HandClock())


def random_dots(seed: int, columns: int, rows: int = 40) -> np.ndarray:
    return np.random.default_rng(seed).random((rows, columns)) < 0.5


def test_it_is_a_driver(tmp_path: Path) -> None:
    driver: Driver = machine(tmp_path)
    assert driver.conditions() == ()
    driver.close()


@pytest.mark.parametrize("head", HEADS, ids=str)
@given(data=st.data())
def test_what_was_ordered_lies_on_the_paper(
    tmp_path_factory: pytest.TempPathFactory, head: Any, data: st.DataObject
) -> None:
    folder = tmp_path_factory.mktemp("paper")
    printing = machine(folder, line_profile(head=head))
    place, column = 0, data.draw(st.integers(-5, 10**6))
    pieces = []
    for index, count in enumerate(data.draw(st.lists(st.integers(1, 20), min_size=1, max_size=4))):
        pieces.append(random_dots(index, count))
        printing.lay(place, pieces[-1], column)
        place, column = place + count, column + count
    assert (read_paper(folder).dots == np.concatenate(pieces, axis=1)).all()


def test_a_blank_column_is_laid_like_any_other(tmp_path: Path) -> None:
    for profile in (line_profile(), carriage_profile()):
        folder = tmp_path / profile.name
        machine(folder, profile).lay(0, np.zeros((40, 3), dtype=np.bool_), 0)
        assert read_paper(folder).laid["place"].tolist() == [0, 1, 2]


def test_it_never_prints_over_what_lies_there_and_remembers_who_asked(tmp_path: Path) -> None:
    printing = machine(tmp_path)
    printing.lay(0, random_dots(1, 5), 0)
    before = read_paper(tmp_path).dots
    for place in (0, 4):
        with pytest.raises(MachineStopped) as stopped:
            printing.lay(place, random_dots(2, 3), 90)
        assert stopped.value.keywords == ("other-error",)
    paper = read_paper(tmp_path)
    assert (paper.dots == before).all()
    assert paper.refused["place"].tolist() == [0, 1, 2, 4, 5, 6]
    assert paper.refused["column"].tolist() == [90, 91, 92] * 2


def test_nor_does_it_after_it_was_started_again(tmp_path: Path) -> None:
    machine(tmp_path).lay(0, random_dots(1, 5), 0)
    with pytest.raises(MachineStopped):
        machine(tmp_path).lay(4, random_dots(2, 1), 4)


def test_places_left_out_stay_blank(tmp_path: Path) -> None:
    printing = machine(tmp_path)
    printing.lay(0, np.ones((40, 2), dtype=np.bool_), 0)
    printing.lay(5, np.ones((40, 2), dtype=np.bool_), 5)
    assert read_paper(tmp_path).dots.all(axis=0).tolist() == [True, True, False, False, False, True, True]


def test_the_paper_keeps_the_true_instants(tmp_path: Path) -> None:
    clock = HandClock(at=500.0)
    printing = machine(tmp_path, clock=clock)
    printing.lay(0, random_dots(1, 2), 0)
    clock.at = 620.0
    printing.lay(2, random_dots(1, 1), 2)
    assert read_paper(tmp_path).laid["at"].tolist() == [500.0, 500.0, 620.0]


def test_it_cuts_at_the_place_under_the_knife_only(tmp_path: Path) -> None:
    """From head to knife are 40 columns."""
    printing = machine(tmp_path)
    printing.lay(0, random_dots(1, 45), 0)
    printing.cut(5)
    with pytest.raises(MachineStopped):
        printing.cut(4)
    assert read_paper(tmp_path).cuts["place"].tolist() == [5]


def test_dots_of_another_height_are_refused(tmp_path: Path) -> None:
    with pytest.raises(ValueError, match="41 dots"):
        machine(tmp_path).lay(0, random_dots(1, 1, rows=41), 0)
    assert not read_paper(tmp_path).laid.size


def test_closed_in_order_it_leaves_a_picture_as_a_viewer_sees_it(tmp_path: Path) -> None:
    laid = random_dots(1, 30)
    printing = machine(tmp_path)
    printing.lay(0, laid, 0)
    printing.close()
    with Image.open(tmp_path / "paper.png") as image:
        assert (np.asarray(image) == ~laid[:, ::-1]).all()


def test_of_a_long_paper_the_picture_shows_the_newest_part(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(module, "LARGEST_PICTURE_COLUMNS", 12)
    laid = random_dots(1, 30)
    printing = machine(tmp_path, line_profile(travel="left"))
    printing.lay(0, laid, 0)
    printing.close()
    with Image.open(tmp_path / "paper.png") as image:
        assert (np.asarray(image) == ~laid[:, 18:]).all()


def test_with_nothing_printed_there_is_no_picture(tmp_path: Path) -> None:
    machine(tmp_path).close()
    assert not (tmp_path / "paper.png").exists()
