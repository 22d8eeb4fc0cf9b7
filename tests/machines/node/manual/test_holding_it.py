"""Stop, release and resume from the command line, with the node in a process of its own."""

from __future__ import annotations

from collections.abc import Callable

from machines.protocol.journal_entries import ConditionsChanged, GapSettled, OperatorActed
from tests.machines.node.test_end_to_end import Bench, checked, make_bench, wait_for

__all__ = ["make_bench"]  # the fixture


def test_a_stop_holds_through_a_power_cut_until_it_is_released_and_resumed(make_bench: Callable[..., Bench]) -> None:
    bench = make_bench()
    agent = bench.start("--resume-unattended")
    bench.wait_for_columns(5)
    assert "stopped by a person" in bench.call("stop").stdout
    wait_for(lambda: bool(bench.studio.all_of(ConditionsChanged)), "the word that it stands")
    count = len(bench.laid())
    bench.kill(agent)
    agent = bench.start("--resume-unattended")
    assert "release the stop first" in bench.call("resume", expect=2).stderr
    assert "did not arm" in bench.call("arm", "--yes", expect=2).stderr
    assert len(bench.laid()) == count
    bench.call("release")
    assert bench.status().hold == "paused"
    said = bench.call("resume").stdout
    assert "fingers" in said
    bench.wait_for_the_end()
    bench.stop(agent)
    assert checked(bench) == bench.whole
    actions = [entry.action for entry in bench.studio.all_of(OperatorActed)]
    assert actions == ["stop", "release", "resume"]
    assert bench.studio.all_of(GapSettled)


def test_after_a_power_cut_it_waits_for_a_person_if_nothing_else_was_said(make_bench: Callable[..., Bench]) -> None:
    bench = make_bench()
    agent = bench.start("--machine", "simulated")
    bench.wait_for_columns(5)
    bench.kill(agent)
    count = len(bench.laid())
    agent = bench.start("--machine", "simulated")
    wait_for(lambda: bench.status().hold == "unplanned-stop", "the hold")
    wait_for(lambda: bool(bench.studio.all_of(ConditionsChanged)), "the word that it stands")
    assert len(bench.laid()) == count
    bench.call("resume")
    bench.wait_for_the_end()
    bench.stop(agent)
    assert checked(bench) == bench.whole


def test_what_cannot_be_done_is_said(make_bench: Callable[..., Bench]) -> None:
    bench = make_bench()
    assert "nothing holds it" in bench.call("release", expect=2).stderr
    assert "park it for service first" in bench.call("blade-changed", expect=2).stderr
    assert "parked for service" in bench.call("park").stdout
    assert "take it back: Blade was not changed" in bench.call("blade-changed").stdout
    assert "parked for service" in bench.call("blade-not-changed").stdout
    assert "of late nobody said that it was" in bench.call("blade-not-changed", expect=2).stderr
    assert "HELD" in bench.call("status").stdout
