"""After a power cut without a network the board goes by a clock of its own, if it can believe one."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path

import pytest

from machines.clock import CompressedClock, SkewedClock, SystemClock
from machines.errors import InputError
from machines.node.clock import manual_time, system_clocks
from machines.node.clock.own_clocks import OwnClock
from machines.node.sync.timekeeper import Timekeeper
from machines.protocol.journal_entries import GapSettled, SetTimeCompared
from tests.machines.node.rig import NOON, HandClock, Rig, make_studio

HOUR_S = 3600.0


@dataclass
class Battery:
    """A clock of whole seconds that was set wrongly, and may lose its battery."""

    true: HandClock
    ahead_s: float = -7.0
    empty: bool = False

    def read(self) -> tuple[float, float] | None:
        if self.empty:
            return self.true.at - NOON + 0.5, 1.0
        return int(self.true.at + self.ahead_s) + 0.5, 1.0

    def clock(self, ppm: float = 20.0) -> OwnClock:
        return OwnClock(name="battery clock", read=self.read, drift=ppm * 1e-6)


class Telling:
    """In place of the client: an answer about the time, at once."""

    def __init__(self, clock: HandClock) -> None:
        self._clock = clock

    def clock(self) -> tuple[float, float]:
        return self._clock.at, self._clock.at


def printing(home: Path, *own: OwnClock, clock: HandClock) -> Rig:
    """A node that has heard the server, and printed for an hour."""
    node = Rig(home, make_studio(clock), clock)
    node.fetch()
    keeper = Timekeeper(clock, node.journal, "a boot", own_clocks=own)
    keeper.ask(Telling(clock))  # type: ignore[arg-type]
    node._server_time = keeper.estimate  # type: ignore[method-assign]
    node.start()
    node.run_until(clock.at + HOUR_S)
    return node


def power_cut(node: Rig, off_s: float, *own: OwnClock) -> Timekeeper:
    """Off and on again: another boot."""
    node.crash()
    node.clock.at += off_s
    node.start()
    keeper = Timekeeper(node.clock, node.journal, "a later boot", own_clocks=own)
    node._server_time = keeper.estimate  # type: ignore[method-assign]
    node.start()
    return keeper


def test_with_a_battery_clock_it_prints_on_after_a_power_cut_without_a_network(tmp_path: Path) -> None:
    clock = HandClock()
    own = Battery(clock).clock()
    node = printing(tmp_path, own, clock=clock)
    keeper = power_cut(node, HOUR_S, own)
    estimate = keeper.estimate()
    assert estimate is not None
    assert estimate.by_board
    assert abs(estimate.now - clock.at) <= estimate.error_s < 2.5
    node.run_columns(30)
    columns = node.paper().laid["column"].tolist()
    assert len(set(columns)) == len(columns)
    assert columns[-1] in (node.studio.column_at(clock.at) - 1, node.studio.column_at(clock.at))
    assert [settled.gap.cause for settled in node.entries(GapSettled)] == ["power"]


def test_without_a_clock_of_its_own_it_waits_for_the_time(tmp_path: Path) -> None:
    node = printing(tmp_path, clock=HandClock())
    laid = len(node.paper().laid)
    keeper = power_cut(node, HOUR_S)
    node.run_columns(30)
    assert keeper.estimate() is None
    assert len(node.paper().laid) == laid


def test_a_clock_that_was_never_compared_or_fell_back_is_not_believed(tmp_path: Path) -> None:
    clock = HandClock()
    battery = Battery(clock)
    node = printing(tmp_path, clock=clock)
    assert power_cut(node, HOUR_S, battery.clock()).estimate() is None
    node = printing(tmp_path / "compared", battery.clock(), clock=clock)
    battery.empty = True
    assert power_cut(node, HOUR_S, battery.clock()).estimate() is None


def test_after_a_long_time_off_a_poor_clock_is_not_sure_enough(tmp_path: Path) -> None:
    """100 ppm of ten days are 86 s, and half a column is 60 s."""
    clock = HandClock()
    own = Battery(clock).clock(ppm=100.0)
    node = printing(tmp_path, own, clock=clock)
    laid = len(node.paper().laid)
    estimate = power_cut(node, 10 * 86400.0, own).estimate()
    assert estimate is not None
    assert estimate.error_s > 86.0
    node.run_columns(2)
    assert len(node.paper().laid) == laid


@pytest.mark.parametrize(("slip_s", "told"), [(0.0, 0), (30.0, 1)])
def test_the_servers_word_ends_it_and_a_clock_that_was_worse_than_stated_is_told(
    tmp_path: Path, slip_s: float, told: int
) -> None:
    clock = HandClock()
    battery = Battery(clock)
    node = printing(tmp_path, battery.clock(), clock=clock)
    battery.ahead_s += slip_s
    keeper = power_cut(node, HOUR_S, battery.clock())
    assert manual_time.why_not(keeper.estimate()) == "", "a person may know better"
    keeper.ask(Telling(clock))  # type: ignore[arg-type]
    estimate = keeper.estimate()
    assert estimate is not None
    assert not estimate.by_board
    assert estimate.now == pytest.approx(clock.at, abs=0.1)
    assert [round(one.ahead_s / 10) for one in node.entries(SetTimeCompared)] == [3] * told


def test_the_kernels_word_counts_only_for_the_systems_own_clock_and_a_battery_clock_must_be_there(
    tmp_path: Path,
) -> None:
    compressed = CompressedClock(0.0, NOON, 1.0)
    skewed = SkewedClock(compressed, 1e5, 50.0)
    assert system_clocks.own_clocks(skewed, None) == ()
    assert [one.name for one in system_clocks.own_clocks(SystemClock(), None)] == ["system clock"]
    (battery,) = system_clocks.own_clocks(skewed, 20.0)
    shown = battery.read()
    assert shown is not None
    assert shown[0] == pytest.approx(compressed.now(), abs=2.0), "it is right where the board is wrong"
    with pytest.raises(InputError, match="this board has none"):
        system_clocks.own_clocks(SystemClock(), 20.0, tmp_path)
    for ppm in (0.0, -1.0, 1001.0, float("nan")):
        with pytest.raises(InputError, match="ppm"):
            system_clocks.own_clocks(skewed, ppm)
    file = tmp_path / "sys/class/rtc/rtc0/since_epoch"
    file.parent.mkdir(parents=True)
    file.write_text("1790000000\n")
    assert system_clocks.own_clocks(SystemClock(), 20.0, tmp_path)[-1].read() == (1790000000.5, 1.0)


def test_a_count_is_named_where_it_runs_alike_in_every_boot(tmp_path: Path) -> None:
    source = tmp_path / "sys/devices/system/clocksource/clocksource0/current_clocksource"
    serial = tmp_path / "proc/device-tree/serial-number"
    for file, text in ((source, "arch_sys_counter\n"), (serial, "10000000abcdef01\0")):
        assert system_clocks.counter_name(SystemClock(), tmp_path) == ""
        file.parent.mkdir(parents=True)
        file.write_text(text)
    assert system_clocks.counter_name(SystemClock(), tmp_path) == "arch_sys_counter of 10000000abcdef01"
    source.write_text("tsc\n")
    assert system_clocks.counter_name(SystemClock(), tmp_path) == "", "the kernel measures that anew at each start"
