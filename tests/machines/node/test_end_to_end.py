"""The node as it is run: its own process, real HTTP, a compressed clock, and SIGKILL.

The board's clock is a day wrong and drifts, so that whatever is printed at its instant is printed by the server's time.
What lies on the paper is read from the paper's files.
"""

from __future__ import annotations

import json
import os
import random
import signal
import subprocess
import sys
import time
from collections.abc import Callable, Iterator
from contextlib import closing
from dataclasses import dataclass
from pathlib import Path

import pytest

from machines.clock import CLOCK_VARIABLE, SKEW_VARIABLE, CompressedClock, board_clock
from machines.drivers.simulated.paper import read_paper
from machines.model.profile import Knife, Profile
from machines.node.manual.arming import ask_to_arm
from machines.node.status import NodeStatus, gather
from machines.node.store import operator_actions
from machines.node.store.journal import open_journal
from machines.protocol.journal_entries import (
    Action,
    ColumnsPrinted,
    GapSettled,
    KnifeArmed,
    NodeStarted,
    NodeStopped,
    StripCut,
)
from machines.protocol.messages import RunWork
from machines.recovery import Policy
from tests.machines.node.account import check_paper, named
from tests.machines.node.relay import Studio, carriage_profile, line_profile, picture, serving

RATE = 2400.0  # a column, two minutes, lasts a twentieth of a second
FIRST, COLUMNS = 700, 96
PATIENCE_S = 60.0
# Ten columns from the head, so that strips come under it until the end, however late a busy computer arms it.
NEAR_KNIFE = Knife(head_to_knife_mm=5.0, cuts_per_blade=1000)


def wait_for(condition: Callable[[], bool], what: str) -> None:
    """Until it holds; the limit is for a machine that is very busy, and is no promise."""
    deadline = time.monotonic() + PATIENCE_S
    while not condition():
        assert time.monotonic() < deadline, f"waited in vain for {what}"
        time.sleep(0.01)


@dataclass
class Bench:
    """A studio that serves, and a board's folder.

    Attributes:
        studio: what the server knows.
        url: its address.
        home: the board's folder.
        environ: of the board's processes.
        run: that begins soon after the first agent has; None if the studio has its run already.
        begins_in_s: how soon, by the compressed clock: for work and plate to come.
    """

    studio: Studio
    url: str
    home: Path
    environ: dict[str, str]
    run: RunWork | None = None
    begins_in_s: float = 0.5 * RATE

    def command(self, *arguments: str) -> list[str]:
        return [sys.executable, "-m", "machines.node", *arguments, "--home", str(self.home)]

    def call(self, *arguments: str, given: str = "", expect: int = 0) -> subprocess.CompletedProcess[str]:
        """Run a command to its end, with what it is given on standard input."""
        done = subprocess.run(
            self.command(*arguments),
            env=self.environ,
            input=given,
            capture_output=True,
            text=True,
            timeout=PATIENCE_S,
            check=False,
        )
        assert done.returncode == expect, done.stderr
        assert "Traceback" not in done.stderr
        return done

    def start(self, *options: str) -> subprocess.Popen[str]:
        """Run the agent, which prints on after a kill if it is not told otherwise. However long the first one takes to
        begin, on a busy computer, no column of the run is due before."""
        command = self.command("run", *(options or ("--resume-unattended",)))
        agent = subprocess.Popen(command, env=self.environ, stderr=subprocess.PIPE, text=True)
        if self.studio.run is None and self.run is not None:
            wait_for(lambda: bool(self.studio.all_of(NodeStarted)), "the first start")
            self.studio.begin(self.run, self.begins_in_s)
        return agent

    def stop(self, agent: subprocess.Popen[str]) -> str:
        """In order; what it said."""
        agent.send_signal(signal.SIGTERM)
        _, said = agent.communicate(timeout=PATIENCE_S)
        assert agent.returncode == 0, said
        assert "Traceback" not in said
        return said

    def kill(self, agent: subprocess.Popen[str]) -> None:
        """Without warning."""
        agent.kill()
        agent.communicate(timeout=PATIENCE_S)

    def status(self) -> NodeStatus:
        """As the command of that name tells it, without its second or more to start a process."""
        with closing(open_journal(self.home)) as journal:
            return gather(self.home, journal, board_clock(self.environ))

    def act(self, action: Action) -> None:
        """As the command of that name does it, at once."""
        with closing(open_journal(self.home)) as journal, journal.transaction() as db:
            operator_actions.act(db, action)

    def arm(self) -> None:
        """As the command of that name does it, at once; raises InputError if the knife is not armed."""
        with closing(open_journal(self.home)) as journal:
            ask_to_arm(journal)

    def laid(self) -> list[int]:
        """Running columns on the paper."""
        if not (self.home / "paper" / "paper.ledger").exists():
            return []
        return [int(column) for column in read_paper(self.home / "paper").laid["column"]]

    def wait_for_columns(self, count: int) -> None:
        wait_for(lambda: len(self.laid()) >= count, f"{count} columns on the paper")

    @property
    def whole(self) -> set[int]:
        """All columns of the run."""
        assert self.run is not None
        return set(range(self.run.first_column, self.run.end_column))

    def wait_for_the_end(self) -> None:
        wait_for(lambda: self.studio.accounted() == self.whole, "the account of the whole run")


@pytest.fixture
def make_bench(tmp_path: Path) -> Iterator[Callable[..., Bench]]:
    """A bench whose run begins soon after its first agent."""
    serving_now = []

    def make(policy: str = "skip", profile: Profile | None = None, columns: int = COLUMNS) -> Bench:
        profile = profile or line_profile()
        clock = CompressedClock(time.clock_gettime(time.CLOCK_BOOTTIME), 1_790_000_000.0, RATE)
        run = RunWork(
            id="run",
            first_column=FIRST,
            end_column=FIRST + columns,
            strips_per_turn=48,
            nozzle_seed=5,
            mean_turn_s=86400.0,
        )
        studio = Studio(clock, profile, None, Policy(kind=policy), 0.0, 48, picture(profile), poll_after_s=400.0)  # type: ignore[arg-type]
        context = serving(studio)
        url = context.__enter__()
        serving_now.append(context)
        environ = {**os.environ, CLOCK_VARIABLE: clock.as_text(), SKEW_VARIABLE: "-86400:80"}
        bench = Bench(studio, url, tmp_path / "node", environ, run)
        bench.call("enrol", "--server", url, given="good")
        return bench

    yield make
    for context in serving_now:
        context.__exit__(None, None, None)


def checked(bench: Bench) -> set[int]:
    """Hold the paper against what the server was told of it; the columns that are once on the paper in their place, or
    named."""
    journal = open_journal(bench.home)
    with journal.reading() as db:
        assert db.execute("SELECT count(*) FROM entry WHERE NOT accepted").fetchone() == (0,)
    journal.close()
    return check_paper(read_paper(bench.home / "paper"), bench.studio, bench.studio.entries)


@pytest.mark.parametrize("profile", [line_profile(), carriage_profile(columns_per_burst=8)], ids=["line", "carriage"])
@pytest.mark.parametrize("policy", ["skip", "replay"])
def test_killed_in_the_middle_of_a_segment_and_started_again(
    make_bench: Callable[..., Bench], policy: str, profile: Profile
) -> None:
    bench = make_bench(policy, profile)
    agent = bench.start()
    bench.wait_for_columns(20)
    bench.kill(agent)
    on_paper = bench.laid()
    time.sleep(1.0)  # more than two bursts
    agent = bench.start()
    bench.wait_for_the_end()
    bench.stop(agent)
    assert checked(bench) == bench.whole
    started, again = bench.studio.all_of(NodeStarted)
    assert (started.unplanned_stop, again.unplanned_stop) == (False, True)
    power = [entry for entry in bench.studio.all_of(GapSettled) if entry.gap.cause == "power"]
    assert len(power) == 1
    assert power[0].gap.first <= on_paper[-1] + 1
    if policy == "skip":
        assert len(power[0].decision.skipped) > 5
        assert not set(range(power[0].decision.skipped.first, power[0].decision.skipped.end)) & set(bench.laid())
    else:
        assert set(range(power[0].decision.replayed.first, power[0].decision.replayed.end)) <= set(bench.laid())


def test_killed_again_and_again_at_any_instant(make_bench: Callable[..., Bench]) -> None:
    bench = make_bench("replay")
    dice = random.Random(7)
    agent = bench.start()
    for _ in range(6):
        time.sleep(dice.uniform(0.05, 1.2))
        bench.kill(agent)
        agent = bench.start()
    bench.wait_for_the_end()
    bench.stop(agent)
    assert checked(bench) == bench.whole
    unknown, left_out = named(bench.studio.entries)
    assert not left_out, "a replay leaves nothing out"
    assert len(unknown) <= 6, "a kill leaves no more than a commit's column unknown"


def test_alone_it_prints_on_and_reports_afterwards(make_bench: Callable[..., Bench]) -> None:
    bench = make_bench("replay")
    agent = bench.start()
    bench.wait_for_columns(5)
    bench.studio.down = True
    bench.wait_for_columns(20)
    bench.kill(agent)
    heard = bench.studio.accounted()
    count = len(bench.laid())
    agent = bench.start()  # it knows the time of this boot, and what to print
    bench.wait_for_columns(count + 15)
    assert bench.studio.accounted() == heard
    assert len(set(bench.laid()) - heard) >= 15
    bench.studio.down = False
    bench.wait_for_the_end()
    bench.stop(agent)
    assert checked(bench) == bench.whole


def test_stopped_in_order_it_leaves_nothing_open(make_bench: Callable[..., Bench]) -> None:
    bench = make_bench()
    agent = bench.start()
    bench.wait_for_columns(10)
    bench.stop(agent)
    columns = bench.laid()
    printed = [column for e in bench.studio.all_of(ColumnsPrinted) for column in range(e.columns.first, e.columns.end)]
    assert printed == columns, "the last words were said"
    assert (bench.home / "paper" / "paper.png").exists()
    assert {entry.gap.cause for entry in bench.studio.all_of(GapSettled)} <= {"late-start", "board", "no-work"}, (
        "of a busy board"
    )
    assert len(bench.studio.all_of(NodeStopped)) == 1, "and that it stopped is told at once"
    status = bench.status()
    assert not status.agent_runs
    assert status.next_column == columns[-1] + 1
    assert status.unreported == 0


def test_a_person_arms_the_knife_while_it_prints(make_bench: Callable[..., Bench]) -> None:
    bench = make_bench("replay", line_profile(knife=NEAR_KNIFE), 160)  # long enough for who types on a busy computer
    agent = bench.start()
    said = bench.call("arm", "--yes").stdout
    assert "gloves" in said
    assert "The knife is armed." in said
    assert json.loads(bench.call("status", "--json").stdout)["knife"] == "armed"
    wait_for(lambda: any(cut.made for cut in bench.studio.all_of(StripCut)), "a cut")
    bench.kill(agent)
    agent = bench.start()
    wait_for(lambda: len(bench.studio.all_of(NodeStarted)) == 2, "the second start")
    assert bench.status().knife.startswith("disarmed")
    bench.wait_for_the_end()
    bench.stop(agent)
    assert len(bench.studio.all_of(KnifeArmed)) == 1
    assert checked(bench) == bench.whole


def test_fenced_off_it_stops_for_good(make_bench: Callable[..., Bench]) -> None:
    bench = make_bench()
    agent = bench.start()
    bench.wait_for_columns(3)
    bench.studio.epoch = 2
    _, said = agent.communicate(timeout=PATIENCE_S)
    assert agent.returncode == 4
    assert "enrol it with a new code" in said
    assert "Traceback" not in said
    count = len(bench.laid())
    again = bench.call("run", expect=4)
    assert "fenced off" in again.stderr
    assert len(bench.laid()) == count
    assert "FENCED OFF" in bench.call("status").stdout


def test_a_folder_has_one_agent(make_bench: Callable[..., Bench]) -> None:
    bench = make_bench()
    agent = bench.start()
    assert "an agent is running" in bench.call("run", expect=2).stderr
    assert "stop it before" in bench.call("enrol", "--server", bench.url, given="good", expect=2).stderr
    bench.stop(agent)
    assert "start it first" in bench.call("arm", "--yes", expect=2).stderr
