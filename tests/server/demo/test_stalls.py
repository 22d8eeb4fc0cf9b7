"""The witness of a computer that stands still."""

from __future__ import annotations

import os
import threading
import time
from pathlib import Path

import pytest

from server.demo.stalls import stood_still, watching


def test_a_disk_that_takes_its_time_is_seen(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    calls = iter([0.3])
    at_once = os.fsync

    def slow_once(descriptor: int) -> None:
        time.sleep(next(calls, 0.0))
        at_once(descriptor)

    monkeypatch.setattr(os, "fsync", slow_once)
    with watching(tmp_path) as longest_s:
        time.sleep(0.5)
    assert longest_s[0] >= 0.3


def test_the_witness_ends_with_the_day(tmp_path: Path) -> None:
    before = threading.active_count()
    with watching(tmp_path):
        assert threading.active_count() == before + 1
    assert threading.active_count() == before


@pytest.mark.parametrize(
    ("longest_s", "pace", "still"), [(0.042, 1400.0, False), (0.043, 1400.0, True), (0.3, 175.0, False)]
)
def test_it_matters_from_a_minute_shown_on(longest_s: float, pace: float, still: bool) -> None:
    assert stood_still(longest_s, pace) == still
