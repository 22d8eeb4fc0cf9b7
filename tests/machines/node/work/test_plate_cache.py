"""Plates fetched ahead."""

from __future__ import annotations

import shutil
import tracemalloc
from pathlib import Path
from random import Random

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from machines.errors import InputError
from machines.node.work.plate_cache import PlateCache
from tests.machines.node.relay import line_profile, picture
from tests.simulated.card import Card, syncing

PROFILE = line_profile(dots_across=21, columns_per_turn=97)
PLATE = picture(PROFILE)


@pytest.fixture(scope="module")
def store(tmp_path_factory: pytest.TempPathFactory) -> PlateCache:
    store = PlateCache(tmp_path_factory.mktemp("plates"))
    store.put(PLATE.digest, PLATE)
    return store


@given(first=st.integers(-300, 300), count=st.integers(0, 200))
def test_the_dots_come_out_as_they_went_in(store: PlateCache, first: int, count: int) -> None:
    dots = store.dots(PLATE.digest, first, first + count, PROFILE)
    assert dots.dtype == np.bool_
    assert (dots == PLATE.running(first, first + count)).all()


def test_it_knows_what_it_has(store: PlateCache) -> None:
    assert store.has(PLATE.digest)
    assert not store.has("0" * 64)
    assert not store.has("")
    with pytest.raises(FileNotFoundError):
        store.dots("0" * 64, 0, 1, PROFILE)


def test_a_plate_half_written_is_no_plate(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    store = PlateCache(tmp_path / "plates")

    def power_cut(self: Path, target: Path) -> Path:
        raise KeyboardInterrupt

    monkeypatch.setattr(Path, "rename", power_cut)
    with pytest.raises(KeyboardInterrupt):
        store.put(PLATE.digest, PLATE)
    monkeypatch.undo()
    assert not store.has(PLATE.digest)
    store.put(PLATE.digest, PLATE)
    assert (store.dots(PLATE.digest, 0, 97, PROFILE) == PLATE.dots).all()


@given(rows=st.integers(1, 40), columns=st.integers(2, 1200), seed=st.integers(0, 99), piece=st.integers(1, 5000))
def test_kept_from_its_png_it_is_the_same_file(
    tmp_path_factory: pytest.TempPathFactory, rows: int, columns: int, seed: int, piece: int
) -> None:
    store = PlateCache(tmp_path_factory.mktemp("kept"))
    profile = line_profile(dots_across=max(8, rows), columns_per_turn=columns)
    plate = picture(profile, seed)
    png = plate.to_png()
    store.keep(plate.digest, (png[at : at + piece] for at in range(0, len(png), piece)), profile)
    assert (store.dots(plate.digest, 0, columns, profile) == plate.dots).all()
    assert [path.suffix for path in store.folder.iterdir()] == [".columns"]


@pytest.mark.parametrize(
    ("digest", "png", "problem"),
    [
        ("0" * 64, PLATE.to_png(), "other dots"),
        (PLATE.digest, PLATE.to_png()[:-30], "not a whole PNG"),
        (PLATE.digest, picture(line_profile()).to_png(), "a plate of"),
    ],
)
def test_what_is_not_the_plate_is_not_kept(tmp_path: Path, digest: str, png: bytes, problem: str) -> None:
    store = PlateCache(tmp_path)
    with pytest.raises(InputError, match=problem):
        store.keep(digest, [png], PROFILE)
    assert not list(tmp_path.iterdir())


def test_fetching_a_plate_takes_a_small_part_of_it(tmp_path: Path) -> None:
    """Pillow would hold a byte for each of its four million dots."""
    profile = line_profile(dots_across=2000, columns_per_turn=2000)
    png = picture(profile).to_png()
    digest = picture(profile).digest
    tracemalloc.start()
    PlateCache(tmp_path).keep(digest, (png[at : at + 4096] for at in range(0, len(png), 4096)), profile)
    most = tracemalloc.get_traced_memory()[1]
    tracemalloc.stop()
    assert most < 2_500_000


def test_what_is_needed_no_more_goes(tmp_path: Path) -> None:
    store = PlateCache(tmp_path)
    other = picture(PROFILE, seed=2)
    store.put(PLATE.digest, PLATE)
    store.put(other.digest, other)
    for digest in ("1" * 64, other.digest):
        (tmp_path / f"{digest}.rows").touch()  # the power went while it was fetched
    store.prune({other.digest, "0" * 64})
    assert len([*tmp_path.iterdir()]) == 1
    assert not store.has(PLATE.digest)
    assert store.has(other.digest)
    PlateCache(tmp_path / "not there yet").prune(())


@pytest.mark.parametrize(
    "name", ["../../elsewhere/evil", "", "0" * 63, "0" * 65, "A" * 64, "/" + "0" * 63, "0" * 64 + "\n"]
)
def test_a_name_that_is_no_digest_becomes_no_path(tmp_path: Path, name: str) -> None:
    store = PlateCache(tmp_path / "card" / "plates")
    (tmp_path / "elsewhere").mkdir()
    other = tmp_path / "elsewhere" / "evil.rows"
    other.write_text("of somebody else")
    with pytest.raises(InputError, match="no digest"):
        store.keep(name, [PLATE.to_png()], PROFILE)
    with pytest.raises(InputError, match="no digest"):
        store.put(name, PLATE)
    assert not store.has(name)
    assert other.read_text() == "of somebody else"


def test_a_card_that_is_nearly_full_is_left_to_the_journal(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    store, free = PlateCache(tmp_path / "plates"), 33_554_432 + 2 * 21 * 14
    usage = shutil.disk_usage(tmp_path)
    monkeypatch.setattr(shutil, "disk_usage", lambda folder: usage._replace(free=free - 1))
    with pytest.raises(OSError, match="left out"):
        store.keep(PLATE.digest, [PLATE.to_png()], PROFILE)
    assert not any(store.folder.iterdir())
    monkeypatch.setattr(shutil, "disk_usage", lambda folder: usage._replace(free=free))
    store.keep(PLATE.digest, [PLATE.to_png()], PROFILE)
    assert store.has(PLATE.digest)


def test_a_plate_that_is_kept_is_there_whole_wherever_the_power_goes(tmp_path: Path) -> None:
    for seed in range(60):
        home = tmp_path / str(seed)
        home.mkdir()
        card, store = Card(home, Random(seed)), PlateCache(home / "plates")
        with syncing(lambda card=card: [card]):  # type: ignore[misc]
            store.keep(PLATE.digest, [PLATE.to_png()], PROFILE)
        card.lose()
        assert np.array_equal(store.dots(PLATE.digest, 0, 97, PROFILE), PLATE.dots)


def test_columns_that_are_not_held_have_no_dots(tmp_path: Path) -> None:
    """Whoever looks around a burst asks also for what lies behind all that is held: no fault, there is just nothing."""
    store = PlateCache(tmp_path)
    for digest in ("", PLATE.digest):
        with pytest.raises(FileNotFoundError):
            store.dots(digest, 0, 1, PROFILE)
