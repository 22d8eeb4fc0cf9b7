"""What a person at the board has it do from the command line, against an agent in a process of its own."""

from __future__ import annotations

import os
import time
from collections.abc import Callable, Iterator
from contextlib import ExitStack
from dataclasses import replace
from datetime import UTC, datetime
from pathlib import Path

import pytest

from machines.chance import SYSTEM
from machines.clock import CLOCK_VARIABLE, SKEW_VARIABLE, CompressedClock
from machines.drivers.simulated.paper import NO_COLUMN, read_paper
from machines.node.__main__ import main
from machines.node.panel.pin import Guard
from machines.node.store import identity
from machines.node.store.journal import open_journal
from machines.operator.safety_notes import BESIDE
from machines.protocol.journal_entries import NodeStarted, OperatorActed, SetTimeCompared
from machines.protocol.messages import RunWork
from machines.recovery import Policy
from tests.machines.node.relay import Studio, line_profile, picture, serving
from tests.machines.node.rig import HandClock
from tests.machines.node.test_end_to_end import Bench, wait_for

Make = Callable[[float], Bench]


@pytest.fixture
def bench_at(tmp_path: Path) -> Iterator[Make]:
    """A bench with a long run, at so many seconds a second: whoever types takes time. The profile wants the time to
    within ten columns, twenty minutes."""
    with ExitStack() as stack:

        def make(rate: float) -> Bench:
            profile = line_profile(clock_tolerance_dots=10.0, highest_mm_per_hour=300.0)
            clock = CompressedClock(time.clock_gettime(time.CLOCK_BOOTTIME), 1_790_000_000.0, rate)
            run = RunWork(
                id="run", first_column=0, end_column=7200, strips_per_turn=12, nozzle_seed=5, mean_turn_s=86400.0
            )
            plate, zero = picture(profile), clock.now()
            studio = Studio(clock, profile, run, Policy(kind="skip"), zero, 48, plate, poll_after_s=rate)
            environ = {**os.environ, CLOCK_VARIABLE: clock.as_text(), SKEW_VARIABLE: "-86400:80"}
            bench = Bench(studio, stack.enter_context(serving(studio)), tmp_path / "node", environ)
            bench.call("enrol", "--server", bench.url, given="good")
            return bench

        yield make


def by_hand(bench: Bench) -> int:
    """Columns on the paper that are of no picture."""
    laid = read_paper(bench.home / "paper").laid
    return int((laid["column"] == NO_COLUMN).sum())


def used(bench: Bench) -> list[tuple[str, str | None, int, bool]]:
    acted = [one for one in bench.studio.all_of(OperatorActed) if one.paper_position is not None]
    return [(one.action, one.pattern, one.paper_columns, one.seen_done) for one in acted]


def test_a_paused_machine_feeds_prints_a_pattern_and_cuts(bench_at: Make) -> None:
    bench = bench_at(240.0)
    agent = bench.start()
    bench.wait_for_columns(3)
    assert "pause it first" in bench.call("feed", "--yes", expect=2).stderr
    bench.act("pause")
    wait_for(lambda: "paused" in bench.status().conditions, "that it stands")
    said = bench.call("feed", "--mm", "20", "--yes").stdout
    assert "Done." in said
    for caution in BESIDE["feed"]:
        assert caution in said
    assert by_hand(bench) == 40
    assert "dead element" in bench.call("test-pattern", "nozzles", "--yes").stdout
    assert "arm it first" in bench.call("cut", "--yes", expect=2).stderr
    bench.arm()
    assert "Done." in bench.call("cut", "--yes").stdout
    assert len(read_paper(bench.home / "paper").cuts) == 1
    count = len(bench.laid())
    bench.act("resume")
    wait_for(lambda: len(bench.laid()) > count, "a column after it was resumed")
    bench.stop(agent)
    assert used(bench) == [
        ("feed", None, 40, True),
        ("test-pattern", "nozzles", 16, True),
        ("cut", None, 0, True),
    ]
    laid = read_paper(bench.home / "paper").laid
    assert len(set(laid["place"].tolist())) == len(laid)
    assert not read_paper(bench.home / "paper").refused.size


def test_killed_while_it_feeds_it_passes_that_paper_over(bench_at: Make) -> None:
    bench = bench_at(240.0)
    agent = bench.start()
    bench.wait_for_columns(3)
    bench.act("pause")
    wait_for(lambda: "paused" in bench.status().conditions, "that it stands")
    journal = open_journal(bench.home)
    with journal.transaction() as db:
        db.execute("INSERT INTO handwork (action, length_mm) VALUES ('feed', 500.0)")  # and nobody waits for it
    wait_for(lambda: by_hand(bench) > 0, "the first part")
    bench.kill(agent)
    lies = by_hand(bench)
    agent = bench.start("--resume-unattended")
    wait_for(lambda: len(bench.studio.all_of(NodeStarted)) == 2, "the second start")
    wait_for(lambda: bool(used(bench)), "the word of it")
    assert by_hand(bench) == lies, "it is not gone on with"
    columns, seen_done = used(bench)[0][2:]
    assert columns >= lies
    # The kill may come when all of it lies there, and before or after that was written down.
    assert columns == 1000 or not seen_done
    bench.act("resume")
    count = len(bench.laid())
    wait_for(lambda: len(bench.laid()) > count, "a column after it was resumed")
    bench.stop(agent)
    journal.close()
    assert not read_paper(bench.home / "paper").refused.size


def test_after_a_boot_with_no_server_in_reach_a_person_sets_the_time_and_it_prints(bench_at: Make) -> None:
    bench = bench_at(60.0)
    agent = bench.start()
    bench.wait_for_columns(2)
    said = bench.call("set-time", "2026-01-01T00:00:00", "--zone", "UTC", "--yes", expect=2).stderr
    assert "the server has told the time" in said
    bench.stop(agent)
    bench.studio.down = True
    # The same time told by another count of seconds: as after the power was off, and no battery kept the clock.
    clock = bench.studio.clock
    assert isinstance(clock, CompressedClock)
    later = replace(clock, began_boottime_s=clock.began_boottime_s + 1.0, began_at=clock.began_at + clock.rate)
    bench.environ[CLOCK_VARIABLE] = later.as_text()
    agent = bench.start("--resume-unattended")
    wait_for(lambda: bench.status().agent_runs, "the agent")
    status = bench.status()
    assert (status.server_time, status.time_set_by_hand) == (None, False)
    count = len(bench.laid())
    now = datetime.fromtimestamp(bench.studio.clock.now() + 60.0, UTC)
    said = bench.call("set-time", f"{now:%Y-%m-%dT%H:%M:%S}", "--zone", "UTC", "--within", "600", "--yes").stdout
    assert BESIDE["set-time"][1] in said
    wait_for(lambda: len(bench.laid()) > count, "a column by the time that was set")
    assert "as a person set it" in bench.call("status").stdout
    bench.studio.down = False
    wait_for(lambda: bool(bench.studio.all_of(SetTimeCompared)), "the server's word")
    (compared,) = bench.studio.all_of(SetTimeCompared)
    assert compared.error_s == 600.0
    assert abs(compared.ahead_s) < 600.0
    assert not bench.status().time_set_by_hand
    bench.stop(agent)
    columns = bench.laid()
    assert len(set(columns)) == len(columns)
    assert [one.error_s for one in bench.studio.all_of(OperatorActed) if one.action == "set-time"] == [600.0]


# In this process.


@pytest.fixture
def home(tmp_path: Path) -> Path:
    open_journal(tmp_path / "node", create=True).close()
    return tmp_path / "node"


@pytest.mark.parametrize("command", [["feed"], ["cut"], ["test-pattern", "nozzles"], ["set-place"]])
def test_without_an_agent_there_is_nobody_to_do_it(
    home: Path, command: list[str], capsys: pytest.CaptureFixture[str]
) -> None:
    assert main([*command, "--yes", "--home", str(home)]) == 2
    assert "start it first" in capsys.readouterr().err


@pytest.mark.parametrize("name", ["feed", "cut", "test-pattern", "set-place", "set-time", "call"])
def test_the_help_of_what_moves_shows_its_cautions(name: str, capsys: pytest.CaptureFixture[str]) -> None:
    with pytest.raises(SystemExit):
        main([name, "--help"])
    said = capsys.readouterr().out
    for caution in BESIDE["place-set" if name == "set-place" else name]:
        assert caution in said


def test_who_does_not_agree_sets_nothing(
    home: Path, capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr("builtins.input", lambda question: "no")
    assert main(["set-time", "2026-11-02T14:03:00", "--zone", "UTC", "--home", str(home)]) == 0
    assert "Nothing was done." in capsys.readouterr().out
    journal = open_journal(home)
    assert not journal.state().time_said
    monkeypatch.setattr("builtins.input", lambda question: "set-time")
    assert main(["set-time", "2026-11-02T14:03:00", "--zone", "UTC", "--home", str(home)]) == 0
    assert journal.state().time_said
    journal.close()


@pytest.mark.parametrize(
    ("arguments", "problem"),
    [
        (["2026-10-25T01:30:00", "--zone", "Europe/Lisbon"], "comes twice"),
        (["yesterday", "--zone", "UTC"], "no date and time"),
        (["2026-11-02T14:03:00", "--zone", "UTC", "--within", "0"], "give 1 to 3600 s"),
    ],
)
def test_times_that_are_none_are_refused(
    home: Path, arguments: list[str], problem: str, capsys: pytest.CaptureFixture[str]
) -> None:
    assert main(["set-time", *arguments, "--yes", "--home", str(home)]) == 2
    assert problem in capsys.readouterr().err


def test_another_pin_is_set_at_the_board(home: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    file = tmp_path / "pin"
    file.write_text("12\n")
    assert main(["pin", "--pin-file", str(file), "--home", str(home)]) == 2
    assert "6 to 12 digits" in capsys.readouterr().err
    file.write_text("161803\n")
    assert main(["pin", "--pin-file", str(file), "--home", str(home)]) == 0
    said = capsys.readouterr().out
    assert "the one that was given" in said and "161803" not in said
    journal = open_journal(home)
    guard = Guard(journal, HandClock(), SYSTEM)
    assert guard.enter("161803") is not None
    assert main(["pin", "--home", str(home)]) == 0
    made_up = capsys.readouterr().out.split("panel: ")[-1][:6]
    assert guard.enter("161803") is None
    assert guard.enter(made_up) is not None
    with journal.reading() as db:
        kept = identity.pin(db)
    journal.close()
    assert kept is not None
    assert made_up not in kept.hash
