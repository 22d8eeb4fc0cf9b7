"""A bad wire: whatever it loses, garbles, repeats, delays or lets overtake, every column is laid once in its place or
the node was told that the machine stopped, and nothing is laid twice.

Here the wire is the emulator's, in its own time, so that hundreds of seeds take seconds; test_serial_pty.py does the
same over a real serial device.
"""

from __future__ import annotations

import contextlib
from collections.abc import Callable
from random import Random

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from machines.drivers import MachineStopped
from machines.drivers.emulated.wire_noise import Noise, NoisePlan
from machines.drivers.serial.transport import Limits
from machines.errors import InputError
from tests.machines.drivers.serial.bench import Bench, complaints, lay_bursts, profile

SEEDS = st.integers(0, 2**32 - 1)
PLANS = st.builds(
    NoisePlan, seed=SEEDS, rate=st.floats(0, 0.5), longest_delay_s=st.sampled_from([0.0, 0.05, 0.3, 1.0, 10.0])
)
QUICK = settings(max_examples=150, deadline=None)


@QUICK
@given(PLANS, SEEDS, st.booleans())
def test_each_column_once_or_a_stop(plan: NoisePlan, seed: int, carriage: bool) -> None:
    bench = Bench(profile(carriage=carriage), plan)
    ordered = lay_bursts(bench.machine(), bench.profile, 5, Random(seed))
    bench.sleep(20.0)  # what is still under way arrives
    assert complaints(bench.paper, bench.profile, ordered) == []


EVENTS: list[Callable[[Bench], object]] = [
    lambda bench: bench.controller.restart(),
    lambda bench: setattr(bench.wire, "plugged", False),
    lambda bench: setattr(bench.wire, "plugged", True),
    lambda bench: bench.controller.raise_condition("cover-open-error"),
    lambda bench: bench.controller.clear_condition("cover-open-error"),
]


@QUICK
@given(
    PLANS,
    SEEDS,
    st.booleans(),
    st.lists(st.tuples(st.floats(0, 30), st.integers(0, len(EVENTS) - 1)), max_size=5),
    st.booleans(),
)
def test_also_with_restarts_and_an_open_cover(
    plan: NoisePlan, seed: int, carriage: bool, events: list[tuple[float, int]], new_node: bool
) -> None:
    bench = Bench(profile(carriage=carriage), plan, step_s=0.4)
    for time_s, which in events:
        bench.at(time_s, lambda act=EVENTS[which]: act(bench))  # type: ignore[misc]
    random = Random(seed)
    ordered = lay_bursts(bench.machine(), bench.profile, 4, random)
    if new_node:  # with the journal of the one before it
        last = ordered[-1]
        place = last.place + last.dots.shape[1]
        ordered += lay_bursts(bench.machine(), bench.profile, 2, random, place)
    bench.sleep(20.0)
    assert complaints(bench.paper, bench.profile, ordered) == []


@settings(max_examples=60, deadline=None)
@given(PLANS, SEEDS)
def test_no_cut_without_arming_and_none_twice(plan: NoisePlan, seed: int) -> None:
    bench = Bench(profile(), plan)
    machine, random = bench.machine(), Random(seed)
    cut_asked: list[int] = []
    armed_once = False
    place = 0
    for _ in range(8):
        ordered = lay_bursts(machine, bench.profile, 1, random, place)
        place = ordered[-1].place + ordered[-1].dots.shape[1]
        if random.random() < 0.3:
            with contextlib.suppress(MachineStopped):
                machine.arm()
            armed_once = True
        under_knife = place - bench.profile.knife_columns
        if under_knife >= 0:
            for _ in range(random.randint(0, 2)):  # the second one must never be made
                cut_asked.append(under_knife)
                try:
                    machine.cut(under_knife)
                    assert bench.paper.cuts[-1] == under_knife
                except MachineStopped:
                    pass
    bench.sleep(20.0)
    assert armed_once or not bench.paper.cuts
    assert len(set(bench.paper.cuts)) == len(bench.paper.cuts)
    assert set(bench.paper.cuts) <= set(cut_asked)


@settings(max_examples=60, deadline=None)
@given(PLANS, st.integers(1, 40))
def test_the_watchdog_stops_the_motion_however_bad_the_wire(plan: NoisePlan, columns: int) -> None:
    """Once the wire is dead, nothing moves later than the watchdog allows."""
    bench = Bench(profile(), plan, step_s=0.3)
    limits = Limits(watchdog_s=1.0, answer_s=0.2)
    machine = bench.machine(limits)
    dead_at = bench.time_s + 2.0
    # A wire that is dead for good loses what is under way, too; the emulator only knows of one that is unplugged.
    bench.at(dead_at, lambda: (setattr(bench.wire, "plugged", False), bench.wire._under_way.clear()))
    standing: list[int] = []
    bench.at(dead_at + 1.0 + 1e-6, lambda: standing.append(bench.memory.standing))
    lay_bursts(machine, bench.profile, columns, Random(columns))
    bench.sleep(10.0)
    assert standing == [bench.memory.standing]
    assert not bench.controller.moving and bench.controller.machine.capped


def test_a_fair_wire_costs_time_but_no_column() -> None:
    """The promise above is not kept by stopping all the time."""
    sent, done, stops = 0, 0, 0
    for seed in range(40):
        bench = Bench(profile(carriage=seed % 2 == 0), NoisePlan(seed=seed, rate=0.1, longest_delay_s=0.1))
        ordered = lay_bursts(bench.machine(), bench.profile, 5, Random(seed))
        assert complaints(bench.paper, bench.profile, ordered) == []
        stops += sum(not burst.said_done for burst in ordered)
        sent += sum(octets.count(b"do ") for octets in bench.written)
        # How many orders were done, the controller tells nobody else.
        done += bench.wire.controller._session.done if bench.wire.controller._session else 0
    assert stops == 0
    assert sent > 1.2 * done, "orders were sent again"


def test_a_terrible_wire_makes_the_machine_stop() -> None:
    bench = Bench(profile(), NoisePlan(seed=1, rate=1.0, longest_delay_s=1.0))
    ordered = lay_bursts(bench.machine(), bench.profile, 20, Random(1))
    assert sum(burst.said_done for burst in ordered) < 10
    assert complaints(bench.paper, bench.profile, ordered) == []


class TestNoise:
    def test_none_hurts_nothing(self) -> None:
        assert Noise(NoisePlan()).through(b"one\ntwo\n") == [(0.0, b"one\n"), (0.0, b"two\n")]

    @given(SEEDS)
    def test_is_the_same_for_the_same_seed(self, seed: int) -> None:
        plan = NoisePlan(seed=seed, rate=0.5, longest_delay_s=1.0)
        line = b"a line of some length\n" * 20
        assert Noise(plan).through(line) == Noise(plan).through(line)

    def test_loses_garbles_repeats_and_delays(self) -> None:
        noise = Noise(NoisePlan(seed=5, rate=1.0, longest_delay_s=1.0))
        line = b"a line of some length\n"
        outcomes = [noise.through(line) for _ in range(400)]
        joined = [b"".join(octets for _, octets in outcome) for outcome in outcomes]
        assert b"" in joined, "lost whole"
        assert any(0 < len(octets) < len(line) for octets in joined), "lost in part"
        assert any(len(octets) == len(line) and octets != line for octets in joined), "garbled"
        assert line * 2 in joined, "repeated"
        assert any(delay_s > 0 for outcome in outcomes for delay_s, _ in outcome), "delayed"

    @pytest.mark.parametrize("bad", [{"rate": 1.1}, {"rate": -0.1}, {"longest_delay_s": 61.0}])
    def test_that_cannot_be_is_refused(self, bad: dict[str, float]) -> None:
        with pytest.raises(InputError):
            NoisePlan(**bad)  # type: ignore[arg-type]
