"""Plates are kept by what they hold."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest

from machines.imaging.plate import Plate
from scheduling.rendering.plate_store import PlateStore
from tests.scheduling.rendering.test_atomic_files import room_for


def plate(seed: int) -> Plate:
    return Plate(np.random.default_rng(seed).random((16, 30)) < 0.4)


def test_a_plate_comes_back_under_its_digest(tmp_path: Path) -> None:
    store = PlateStore(tmp_path)
    digest = store.put(plate(1))
    assert np.array_equal(store.get(digest).dots, plate(1).dots)
    assert store.get(digest).digest == digest


def test_keeping_a_plate_again_leaves_the_file_alone(tmp_path: Path) -> None:
    store = PlateStore(tmp_path)
    digest = store.put(plate(1))
    (path,) = tmp_path.glob("*/*.png")
    before = path.stat()
    assert store.put(plate(1)) == digest
    assert (path.stat().st_ino, path.stat().st_mtime_ns) == (before.st_ino, before.st_mtime_ns)
    assert not list(tmp_path.rglob("*.part"))


@pytest.mark.parametrize("name", ["0" * 64, "../../secret-key", "", "A" * 64])
def test_no_such_plate(tmp_path: Path, name: str) -> None:
    with pytest.raises(KeyError):
        PlateStore(tmp_path).png(name)


@pytest.mark.parametrize("octets", [0, 11, 12, 50, -1])
def test_a_plate_that_was_cut_short_is_as_good_as_none_until_it_is_kept_again(tmp_path: Path, octets: int) -> None:
    store = PlateStore(tmp_path)
    digest = store.put(plate(1))
    (path,) = tmp_path.glob("*/*.png")
    whole = path.read_bytes()
    path.write_bytes(whole[:octets])
    assert not store.has(digest)
    for read in (store.png, store.get):
        with pytest.raises(KeyError):
            read(digest)
    assert store.put(plate(1)) == digest
    assert store.has(digest)
    assert path.read_bytes() == whole


def test_when_the_disk_is_full_nothing_is_left_of_a_plate(tmp_path: Path) -> None:
    store = PlateStore(tmp_path)
    with room_for(60), pytest.raises(OSError, match="File too large"):
        store.put(plate(1))
    assert not store.has(plate(1).digest)
    assert [path for path in tmp_path.rglob("*") if path.is_file()] == []
    assert store.has(store.put(plate(1)))
