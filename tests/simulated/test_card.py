"""A card keeps what was synced, and of the rest what the dice say."""

from __future__ import annotations

import os
from collections.abc import Callable
from functools import partial
from pathlib import Path
from random import Random

import pytest

from scheduling.rendering.atomic_files import name_part, write_part
from tests.simulated.card import Card, syncing

TRIES = range(60)


def left_over(tmp_path: Path, do: Callable[[Path], object]) -> list[dict[str, bytes]]:
    """What was left of what is done on a card that held one file, over many power cuts."""
    found = []
    for seed in TRIES:
        folder = tmp_path / str(seed)
        folder.mkdir(parents=True)
        (folder / "old").write_bytes(b"old")
        card = Card(folder, Random(seed))
        with syncing(partial(list, [card])):
            do(folder)
        card.lose()
        found.append({str(path.relative_to(folder)): path.read_bytes() for path in folder.rglob("*") if path.is_file()})
    return found


def sync(path: Path) -> None:
    descriptor = os.open(path, os.O_RDONLY)
    os.fsync(descriptor)
    os.close(descriptor)


def test_what_nobody_synced_is_kept_or_lost_or_cut(tmp_path: Path) -> None:
    found = left_over(tmp_path, lambda folder: (folder / "new").write_bytes(b"0123456789"))
    new = {one.get("new") for one in found}
    assert {None, b"", b"0123456789", b"\0" * 10} < new
    assert all(one["old"] == b"old" for one in found)


def test_a_name_without_its_octets_and_octets_without_their_name(tmp_path: Path) -> None:
    def without_octets(folder: Path) -> None:
        (folder / "new").write_bytes(b"0123456789")
        sync(folder)

    found = left_over(tmp_path / "a", without_octets)
    assert all("new" in one for one in found)
    assert {b"", b"0123456789"} < {one["new"] for one in found}

    def without_name(folder: Path) -> None:
        (folder / "new").write_bytes(b"0123456789")
        sync(folder / "new")

    assert {one.get("new") for one in left_over(tmp_path / "b", without_name)} == {None, b"0123456789"}


def test_a_file_that_was_replaced_or_removed_may_come_back(tmp_path: Path) -> None:
    def replaces(folder: Path) -> None:
        (folder / "part").write_bytes(b"new")
        sync(folder / "part")
        (folder / "part").rename(folder / "old")

    assert {one.get("old") for one in left_over(tmp_path / "a", replaces)} == {b"old", b"new"}
    assert {one.get("old") for one in left_over(tmp_path / "b", lambda folder: (folder / "old").unlink())} == {
        b"old",
        None,
    }


def test_a_folder_that_was_removed_may_come_back_as_an_empty_one(tmp_path: Path) -> None:
    found = set[tuple[bool, bool]]()
    for seed in TRIES:
        (folder := tmp_path / str(seed) / "folder").mkdir(parents=True)
        (folder / "old").write_bytes(b"old")
        card = Card(folder.parent, Random(seed))
        (folder / "old").unlink()
        folder.rmdir()
        card.lose()
        found.add((folder.exists(), folder.is_dir()))
        assert not folder.exists() or not list(folder.iterdir())
    assert found == {(True, True), (False, False)}


def test_a_new_file_is_never_taken_for_one_that_was_removed(tmp_path: Path) -> None:
    """Where a file system gives a number again that is free, both would have the same."""

    def replaces(folder: Path) -> None:
        (folder / "old").unlink()
        (folder / "new").write_bytes(b"0123456789")

    found = left_over(tmp_path, replaces)
    assert {one["old"] for one in found if "old" in one} == {b"old"}
    assert b"old" not in {one.get("new") for one in found}


@pytest.mark.parametrize("below", ["", "a", "a/b"])
def test_what_our_own_writing_of_files_says_is_there_is_there(tmp_path: Path, below: str) -> None:
    def keeps(folder: Path) -> None:
        name_part(write_part(folder / "parts", [b"content"]), folder / "parts" / below / "kept")

    for one in left_over(tmp_path, keeps):
        left = {name: content for name, content in one.items() if not name.endswith(".part")}  # removed a day later
        assert left == {"old": b"old", str(Path("parts") / below / "kept"): b"content"}


def test_a_promise_that_is_not_kept_is_complained_of(tmp_path: Path) -> None:
    complaints = []
    for seed in TRIES:
        folder = tmp_path / str(seed)
        folder.mkdir()
        card = Card(folder, Random(seed))
        (folder / "kept").write_bytes(b"content")
        card.promised(folder / "kept")
        card.lose()
        complaints += card.complaints
    assert set(complaints) == {"kept was said to be on the card, and is not"}
    assert 10 < len(complaints) < len(TRIES)
