"""What is of no picture: laid like any other column, told apart from the picture's, and by the nozzles asked for."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest

from machines.drivers import MachineStopped
from machines.drivers.serial.orders import pattern_burst
from machines.drivers.simulated.machine import SimulatedMachine
from machines.drivers.simulated.paper import NO_COLUMN, read_paper
from machines.imaging.patterns import nozzle_check
from machines.model.profile import CarriageHead
from tests.machines.drivers.serial.bench import Bench, profile
from tests.machines.node.relay import carriage_profile, line_profile
from tests.machines.node.rig import HandClock

CARRIAGE = carriage_profile()


def random_dots(columns: int, rows: int = 40) -> np.ndarray:
    return np.random.default_rng(columns).random((rows, columns)) < 0.5


def simulated(folder: Path, of: object = CARRIAGE) -> SimulatedMachine:
    return SimulatedMachine(folder, of, 3, HandClock())  # type: ignore[arg-type]


@pytest.mark.parametrize("of", [CARRIAGE, line_profile()], ids=["carriage", "line"])
def test_simulated_it_lies_between_the_pictures_columns_and_is_none_of_them(tmp_path: Path, of: object) -> None:
    machine = simulated(tmp_path, of)
    before, pattern, after = random_dots(5), random_dots(7), random_dots(3)
    machine.lay(0, before, 100)
    machine.lay_pattern(5, pattern)
    assert machine.column_end() == 105, "the picture goes on where it stood"
    machine.lay(12, after, 105)
    paper = read_paper(tmp_path)
    assert (paper.dots == np.concatenate([before, pattern, after], axis=1)).all()
    assert paper.laid["column"].tolist() == [*range(100, 105), *[NO_COLUMN] * 7, *range(105, 108)]


def test_simulated_each_nozzle_draws_its_own_step(tmp_path: Path) -> None:
    machine, check = simulated(tmp_path), nozzle_check(CARRIAGE, 0)
    machine.lay_pattern(4, check)
    dots = read_paper(tmp_path).dots[:, 4:]
    assert (dots == (check.numbers > 0)).all()
    assert isinstance(CARRIAGE.head, CarriageHead)
    steps = [np.flatnonzero(dots[:, 4 * nozzle]) for nozzle in range(CARRIAGE.head.nozzles)]
    assert all(step.size for step in steps)
    assert np.concatenate(steps).tolist() == list(range(CARRIAGE.dots_across))


def test_simulated_it_is_never_laid_over_what_lies_there(tmp_path: Path) -> None:
    machine = simulated(tmp_path)
    machine.lay_pattern(0, random_dots(4))
    with pytest.raises(MachineStopped):
        machine.lay_pattern(3, random_dots(4))
    with pytest.raises(ValueError, match="39 dots in a column of 40"):
        machine.lay_pattern(4, random_dots(4, rows=39))
    assert len(read_paper(tmp_path).laid) == 4


@pytest.mark.parametrize("carriage", [True, False])
def test_over_the_wire_dots_are_set_as_a_pictures_are(carriage: bool) -> None:
    bench = Bench(profile(carriage=carriage))
    machine = bench.machine()
    pattern = random_dots(6, rows=bench.profile.dots_across)
    machine.lay(0, pattern[:, :2], 7000)
    machine.lay_pattern(2, pattern)
    assert (machine.paper_end(), machine.column_end()) == (8, 7002)
    passes = bench.profile.head.passes if isinstance(bench.profile.head, CarriageHead) else 1
    lies = {place: (column, drops) for place, column, drops in bench.paper.laid}
    for index in range(6):
        column, drops = lies[2 + index]
        assert column == NO_COLUMN
        assert np.array_equal(drops, pattern[:, index] * passes)
    machine.lay(8, pattern[:, :1], 7002)
    again = bench.machine()
    assert (again.paper_end(), again.column_end()) == (9, 7003)


def test_over_the_wire_the_controller_remembers_the_picture_and_the_paper() -> None:
    bench = Bench(profile())
    machine = bench.machine()
    machine.lay_pattern(3, np.zeros((bench.profile.dots_across, 5), dtype=np.bool_))
    again = bench.machine()
    assert (again.paper_end(), again.column_end()) == (8, None)
    assert not any(drops.any() for _, _, drops in bench.paper.laid)


def test_over_the_wire_each_nozzle_fires_alone() -> None:
    of = profile(carriage=True)
    check = nozzle_check(of, 0)
    bench = Bench(of)
    bench.machine().lay_pattern(0, check)
    dots = np.array([drops for _, _, drops in bench.paper.laid]).T
    assert (dots == (check.numbers > 0)).all(), "one drop in each place"
    fired = [words for words in pattern_burst(0, check, of, 1) if words[0] == "dots"]
    assert {words[1] for words in fired} == set(range(of.head.nozzles))  # type: ignore[union-attr]


def test_over_the_wire_it_is_never_laid_over_what_lies_there() -> None:
    bench = Bench(profile())
    machine = bench.machine()
    machine.lay_pattern(0, random_dots(4, rows=bench.profile.dots_across))
    with pytest.raises(MachineStopped):
        machine.lay_pattern(3, random_dots(4, rows=bench.profile.dots_across))
    with pytest.raises(ValueError, match="23 dots in a column of 24"):
        machine.lay_pattern(9, random_dots(4, rows=23))
