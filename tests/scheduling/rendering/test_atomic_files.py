"""Files are whole or not there, and what a killed process left is cleared away."""

from __future__ import annotations

import os
import resource
import signal
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

import pytest

from scheduling.rendering.atomic_files import ABANDONED_AFTER_S, name_part, write_part


@contextmanager
def room_for(octets: int) -> Iterator[None]:
    """The kernel writes no file of this process longer than so many octets, as if the disk were full."""
    soft, hard = resource.getrlimit(resource.RLIMIT_FSIZE)
    before = signal.signal(signal.SIGXFSZ, signal.SIG_IGN)
    resource.setrlimit(resource.RLIMIT_FSIZE, (octets, hard))
    try:
        yield
    finally:
        resource.setrlimit(resource.RLIMIT_FSIZE, (soft, hard))
        signal.signal(signal.SIGXFSZ, before)


def test_a_part_gets_its_name_in_one_step(tmp_path: Path) -> None:
    part = write_part(tmp_path, [b"one ", b"two"])
    assert (part.parent, part.suffix) == (tmp_path, ".part")
    name_part(part, tmp_path / "a" / "b" / "named")
    assert (tmp_path / "a" / "b" / "named").read_bytes() == b"one two"
    assert not part.exists()


def test_when_the_disk_is_full_nothing_is_left(tmp_path: Path) -> None:
    with room_for(1000), pytest.raises(OSError, match="File too large"):
        write_part(tmp_path, [b"x" * 400] * 3)
    assert list(tmp_path.iterdir()) == []
    assert write_part(tmp_path, [b"x" * 400] * 3).stat().st_size == 1200


def test_when_a_name_cannot_be_given_nothing_is_left(tmp_path: Path) -> None:
    part = write_part(tmp_path / "folder", [b"one"])
    (tmp_path / "taken").write_text("a file where a folder should be")
    with pytest.raises(OSError, match="taken"):
        name_part(part, tmp_path / "taken" / "named")
    assert list((tmp_path / "folder").iterdir()) == []


@pytest.mark.parametrize(("age_s", "stays"), [(ABANDONED_AFTER_S - 60.0, True), (ABANDONED_AFTER_S + 60.0, False)])
def test_what_a_killed_process_left_a_day_ago_is_removed(tmp_path: Path, age_s: float, stays: bool) -> None:
    left = write_part(tmp_path, [b"half"])
    named = tmp_path / "named"
    named.write_bytes(b"whole")
    for path in (left, named):
        modified = path.stat().st_mtime - age_s
        os.utime(path, (modified, modified))
    part = write_part(tmp_path, [b"another"])
    assert left.exists() is stays
    assert named.exists() and part.exists()
