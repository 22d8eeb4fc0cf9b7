"""The clocks: one kernel clock behind all of them, compressed or made wrong on purpose."""

from __future__ import annotations

import math
import time
from dataclasses import dataclass
from datetime import UTC, datetime

import pytest

from machines.clock import (
    CLOCK_VARIABLE,
    SKEW_VARIABLE,
    Clock,
    CompressedClock,
    SkewedClock,
    SystemClock,
    board_clock,
    true_clock,
    utc,
)
from machines.errors import InputError


@dataclass
class Standing:
    """A clock that stands still, and of whose seconds two make a real one."""

    at: float = 0.0

    def now(self) -> float:
        return 1e9 + self.at

    def elapsed(self) -> float:
        return self.at

    def real_s(self, seconds: float) -> float:
        return seconds / 2


def test_the_system_clock_is_the_systems() -> None:
    clock = SystemClock()
    assert clock.now() == pytest.approx(time.time(), abs=5.0)
    slept_s = time.clock_gettime(time.CLOCK_BOOTTIME) - time.clock_gettime(time.CLOCK_MONOTONIC)
    counted_s = time.clock_gettime(time.CLOCK_MONOTONIC_RAW) + slept_s
    assert clock.elapsed() == pytest.approx(counted_s, abs=1.5)


def test_the_systems_count_is_not_slewed_and_goes_on_through_sleep(monkeypatch: pytest.MonkeyPatch) -> None:
    """Three counts of the kernel after a week in which it was slewed by 200 s, and slept for ten minutes."""
    counts = {time.CLOCK_MONOTONIC_RAW: 604_800.0, time.CLOCK_MONOTONIC: 605_000.0, time.CLOCK_BOOTTIME: 605_600.0}
    monkeypatch.setattr(time, "clock_gettime", counts.__getitem__)
    assert SystemClock().elapsed() == 605_400.0
    counts[time.CLOCK_BOOTTIME] = 605_000.0 + 1e-4
    assert SystemClock().elapsed() == 604_800.0, "it did not sleep: the two were only not read at the same moment"


def test_a_compressed_clock_shows_its_origin_at_its_beginning() -> None:
    began = time.clock_gettime(time.CLOCK_BOOTTIME)
    clock = CompressedClock(began, 1.8e9, 1000.0)
    shown, passed = clock.now() - 1.8e9, time.clock_gettime(time.CLOCK_BOOTTIME) - began
    assert 0 <= shown <= passed * 1000.0


def test_now_and_elapsed_of_a_compressed_clock_advance_together() -> None:
    clock = CompressedClock(time.clock_gettime(time.CLOCK_BOOTTIME) - 10.0, 1.8e9, 100.0)
    first, second = clock.elapsed(), clock.now() - 1.8e9
    assert 1000.0 <= first <= second


def test_two_processes_read_the_same_compressed_clock() -> None:
    clock = CompressedClock(123.25, 1790000000.5, 1800.0)
    assert true_clock({CLOCK_VARIABLE: clock.as_text()}) == clock


@pytest.mark.parametrize(
    ("clock", "real_s"),
    [(SystemClock(), 900.0), (CompressedClock(0.0, 0.0, 1800.0), 0.5), (SkewedClock(Standing(), 30.0, 50.0), 450.0)],
    ids=["system", "compressed", "skewed"],
)
def test_a_second_of_a_clock_takes_its_part_of_a_real_one(clock: Clock, real_s: float) -> None:
    assert clock.real_s(900.0) == real_s
    assert clock.real_s(math.inf) == math.inf


def test_a_skewed_clock_is_ahead_and_gains() -> None:
    base = Standing()
    clock = SkewedClock(base, offset_s=30.0, drift_ppm=50.0)
    assert clock.now() - base.now() == 30.0
    base.at = 86400.0
    # 50 ppm are 4.32 s a day: seconds a day = ppm x 0.0864 (computed).
    assert clock.now() - base.now() == pytest.approx(34.32)
    assert clock.elapsed() - base.elapsed() == pytest.approx(4.32)


def test_no_variable_means_the_system_clock_true() -> None:
    assert true_clock({}) == SystemClock() == board_clock({})


def test_a_boards_clock_is_the_true_one_made_wrong() -> None:
    environ = {CLOCK_VARIABLE: "compressed:1.0:2.0:3.0", SKEW_VARIABLE: "-12.5:80"}
    assert board_clock(environ) == SkewedClock(CompressedClock(1.0, 2.0, 3.0), -12.5, 80.0)


@pytest.mark.parametrize(
    "text", ["", "sundial", "compressed:1:2", "compressed:1:2:x", "compressed:1:2:0", "fast:1:2:3"]
)
def test_a_clock_that_cannot_be_read_is_refused_with_what_would_be_right(text: str) -> None:
    with pytest.raises(InputError, match="compressed:<boottime>") as raised:
        true_clock({CLOCK_VARIABLE: text})
    assert raised.value.field == CLOCK_VARIABLE


@pytest.mark.parametrize("text", ["", "1", "1:2:3", "a:b"])
def test_a_skew_that_cannot_be_read_is_refused(text: str) -> None:
    with pytest.raises(InputError, match="parts per million"):
        board_clock({SKEW_VARIABLE: text})


def test_posix_seconds_become_aware_utc() -> None:
    assert utc(0.0) == datetime(1970, 1, 1, tzinfo=UTC)
    assert utc(1.5).tzinfo is UTC
