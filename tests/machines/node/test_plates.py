"""Plates fetched ahead."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from machines.node.plates import PlateStore
from tests.machines.node.relay import line_profile, picture

PROFILE = line_profile(dots_across=21, columns_per_turn=97)
PLATE = picture(PROFILE)


@pytest.fixture(scope="module")
def store(tmp_path_factory: pytest.TempPathFactory) -> PlateStore:
    store = PlateStore(tmp_path_factory.mktemp("plates"))
    store.put(PLATE.digest, PLATE)
    return store


@given(first=st.integers(-300, 300), count=st.integers(0, 200))
def test_the_dots_come_out_as_they_went_in(store: PlateStore, first: int, count: int) -> None:
    dots = store.dots(PLATE.digest, first, first + count, PROFILE)
    assert dots.dtype == np.bool_
    assert (dots == PLATE.running(first, first + count)).all()


def test_it_knows_what_it_has(store: PlateStore) -> None:
    assert store.has(PLATE.digest)
    assert not store.has("0" * 64)
    assert not store.has("")
    with pytest.raises(FileNotFoundError):
        store.dots("0" * 64, 0, 1, PROFILE)


def test_a_plate_half_written_is_no_plate(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    store = PlateStore(tmp_path / "plates")

    def power_cut(self: Path, target: Path) -> Path:
        raise KeyboardInterrupt

    monkeypatch.setattr(Path, "rename", power_cut)
    with pytest.raises(KeyboardInterrupt):
        store.put(PLATE.digest, PLATE)
    monkeypatch.undo()
    assert not store.has(PLATE.digest)
    store.put(PLATE.digest, PLATE)
    assert (store.dots(PLATE.digest, 0, 97, PROFILE) == PLATE.dots).all()


def test_what_is_needed_no_more_goes(tmp_path: Path) -> None:
    store = PlateStore(tmp_path)
    other = picture(PROFILE, seed=2)
    store.put(PLATE.digest, PLATE)
    store.put(other.digest, other)
    store.prune({other.digest, "0" * 64})
    assert not store.has(PLATE.digest)
    assert store.has(other.digest)
