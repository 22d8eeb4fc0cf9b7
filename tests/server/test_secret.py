"""The key that signs sessions, and the folder that it lies in."""

from __future__ import annotations

import multiprocessing
import stat
from pathlib import Path

import pytest

from server.secret import secret_key


@pytest.fixture(autouse=True)
def _none_in_the_environment(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.delenv("DAYROLL_SECRET_KEY", raising=False)


def test_it_is_made_once_and_only_its_owner_may_read_it(tmp_path: Path) -> None:
    home = tmp_path / "var" / "dayroll"
    key = secret_key(home)
    assert len(key) >= 64
    assert secret_key(home) == key
    assert stat.S_IMODE((home / "secret-key").stat().st_mode) == 0o600
    assert stat.S_IMODE(home.stat().st_mode) == 0o700
    assert [file.name for file in home.iterdir()] == ["secret-key"]


def test_two_servers_have_two_keys(tmp_path: Path) -> None:
    assert secret_key(tmp_path / "one") != secret_key(tmp_path / "two")


def test_a_folder_keeps_the_mode_that_somebody_gave_it(tmp_path: Path) -> None:
    tmp_path.chmod(0o750)
    secret_key(tmp_path)
    assert stat.S_IMODE(tmp_path.stat().st_mode) == 0o750


def test_the_environment_comes_first(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv("DAYROLL_SECRET_KEY", "given")
    assert secret_key(tmp_path / "home") == "given"
    assert not (tmp_path / "home").exists()


def test_processes_that_start_at_once_agree(tmp_path: Path) -> None:
    with multiprocessing.get_context("spawn").Pool(4) as pool:
        keys = pool.map(secret_key, [tmp_path / "home"] * 16, chunksize=1)
    assert len(set(keys)) == 1
    assert len(keys[0]) >= 64
    assert [file.name for file in (tmp_path / "home").iterdir()] == ["secret-key"]


def test_when_the_disk_is_full_no_empty_key_is_left(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    def full(_: int) -> None:
        raise OSError(28, "No space left on device")

    with monkeypatch.context() as patch:
        patch.setattr("os.fsync", full)
        with pytest.raises(OSError, match="No space left"):
            secret_key(tmp_path)
    assert list(tmp_path.iterdir()) == []
    assert secret_key(tmp_path)
