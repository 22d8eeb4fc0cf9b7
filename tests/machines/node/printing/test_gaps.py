"""Finding what is missing, from the state and the work held."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from machines.imaging.plate import Plate
from machines.node.printing.gaps import Missing, dots_per_column, find
from machines.node.store.journal import State, open_journal
from machines.node.work.bursts import CannotTell
from machines.node.work.plate_cache import PlateCache
from tests.machines.node.relay import carriage_profile
from tests.machines.node.rig import NOON
from tests.machines.node.work.test_bursts import COLUMN_S, held


@pytest.fixture(scope="module")
def blank(tmp_path_factory: pytest.TempPathFactory) -> State:
    journal = open_journal(tmp_path_factory.mktemp("node"), create=True)
    state = journal.state()
    journal.close()
    return replace(state, run="run")


def at(column: float) -> float:
    return NOON + column * COLUMN_S


@given(column=st.integers(0, 719), later=st.floats(0.0, 3.99))
def test_on_time_nothing_is_missing(blank: State, column: int, later: float) -> None:
    state = replace(blank, next_column=column)
    assert find(held(), state, None, resumed=True, now=at(column + later)) is None


@given(column=st.integers(0, 700), late=st.integers(4, 400))
def test_what_is_late_is_missing_up_to_what_can_be_laid_at_its_instant(blank: State, column: int, late: int) -> None:
    missing = find(held(), replace(blank, next_column=column), None, resumed=False, now=at(column + late + 0.5))
    assert missing == Missing(first=column, unknown_end=column, end=min(column + late + 1, 720))


def test_bursts_are_missing_as_a_whole(blank: State) -> None:
    state = replace(blank, next_column=16)
    work = held(carriage_profile())
    assert find(work, state, None, resumed=False, now=at(31.9)) is None
    assert find(work, state, None, resumed=False, now=at(32.1)) == Missing(first=16, unknown_end=16, end=48)


def test_in_a_replay_only_one_who_was_away_finds_a_gap(blank: State) -> None:
    state = replace(blank, next_column=10, catching_up=True)
    assert find(held(), state, None, resumed=False, now=at(50.5)) is None
    assert find(held(), state, None, resumed=True, now=at(50.5)) == Missing(first=10, unknown_end=10, end=51)
    assert find(held(), state, 12, resumed=False, now=at(50.5)) == Missing(first=10, unknown_end=12, end=51)


def test_unknown_columns_are_missing_late_or_not(blank: State) -> None:
    state = replace(blank, next_column=10)
    assert find(held(), state, 12, resumed=False, now=at(11.5)) == Missing(first=10, unknown_end=12, end=12)
    assert find(held(), state, 40, resumed=False, now=at(11.5)) == Missing(first=10, unknown_end=40, end=40)


def test_unknown_columns_at_the_runs_end_end_it(blank: State) -> None:
    state = replace(blank, next_column=715)
    assert find(held(), state, 720, resumed=False, now=at(900.0)) == Missing(first=715, unknown_end=720, end=720)


def test_what_cannot_be_told_is_not_guessed(blank: State) -> None:
    """Two segments are held, columns 0 to 29."""
    work = held(only=slice(0, 2))
    with pytest.raises(CannotTell):  # it is late, and nobody knows what belongs under the head now
        find(work, replace(blank, next_column=20), None, resumed=False, now=at(60.0))
    with pytest.raises(CannotTell):  # what follows the unknown columns is not held
        find(work, replace(blank, next_column=28), 30, resumed=False, now=at(29.5))
    assert find(work, replace(blank, next_column=30), None, resumed=False, now=at(30.5)) is None


def test_before_the_run_nothing_is_missing(blank: State) -> None:
    assert find(held(), blank, None, resumed=True, now=at(-10.0)) is None


@pytest.mark.parametrize(("columns_late", "missing"), [(3.99, False), (4.01, True)])
def test_a_crawling_machine_may_stumble_over_four_columns(blank: State, columns_late: float, missing: bool) -> None:
    found = find(held(), replace(blank, next_column=100), None, resumed=False, now=at(100 + columns_late))
    assert (found is not None) == missing


def test_the_mean_dots_of_what_is_missing_are_told_of_one_column_in_eight(tmp_path: Path) -> None:
    """Of every 64 columns 8 are solid, the rest blank: a look at every 64th would find all of them solid."""
    work, plates = held(), PlateCache(tmp_path)
    dots = np.zeros((work.profile.dots_across, 720), dtype=bool)
    dots[:, np.arange(720) % 64 < 8] = True
    plates.put(work.segments[0].plate, Plate(dots))
    assert {segment.plate for segment in work.segments} == {work.segments[0].plate}
    missing = Missing(first=0, unknown_end=0, end=512)
    assert dots_per_column(work, plates, missing) == work.profile.dots_across / 8
