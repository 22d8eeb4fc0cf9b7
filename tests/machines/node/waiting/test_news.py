"""Who waits looks when something is new, wherever it was written, and sleeps in between."""

from __future__ import annotations

import math
import os
import signal
import stat
import threading
import time
from collections.abc import Callable, Iterator
from contextlib import closing
from pathlib import Path

import pytest

from machines.drivers import MachineStopped
from machines.node import agent
from machines.node.store import operator_actions
from machines.node.store.journal import Journal, open_journal
from machines.node.sync import call_now
from machines.node.sync.timekeeper import Timekeeper
from machines.node.waiting import bell
from machines.node.waiting.bell import TellsAgent
from machines.node.waiting.news import News
from tests.machines.node.rig import HandClock, Rig, make_studio
from tests.machines.node.test_end_to_end import wait_for

# Who misses something in these tests waits for so long, and the test fails.
EVER_S, PATIENCE_S = 600.0, 60.0


@pytest.fixture
def news() -> News:
    """Where nothing is seen by just looking."""
    made = News()
    made.longest_s = EVER_S
    return made


@pytest.fixture
def journal(tmp_path: Path, news: News) -> Iterator[Journal]:
    with closing(open_journal(tmp_path, create=True, news=news)) as opened:
        yield opened


def ends(work: Callable[[], object]) -> bool:
    """Whether work, done beside the test, comes to its end, and does not wait for what has come already."""
    thread = threading.Thread(target=work, daemon=True)
    thread.start()
    thread.join(PATIENCE_S)
    return not thread.is_alive()


def write(journal: Journal) -> None:
    with journal.transaction() as db:
        call_now.ask(db)


def test_what_is_told_while_one_looks_is_not_missed(news: News) -> None:
    told = news.told
    news.tell()
    assert ends(lambda: news.wait(told, EVER_S))


def test_who_waits_is_woken_by_whoever_tells(news: News) -> None:
    told, woken = news.told, threading.Event()
    waiting = threading.Thread(target=lambda: (news.wait(told, EVER_S), woken.set()), daemon=True)
    waiting.start()
    assert not woken.wait(0.1), "nothing was told"
    news.tell()
    assert woken.wait(PATIENCE_S)


@pytest.mark.parametrize("real_s", [0.01, math.inf])
def test_a_wait_has_an_end_though_nothing_is_told(real_s: float) -> None:
    news = News()
    news.longest_s = 0.01 if real_s == math.inf else EVER_S
    assert ends(lambda: news.wait(news.told, real_s))


def test_each_commit_tells_and_what_was_taken_back_does_not(journal: Journal) -> None:
    before = journal.news.told
    write(journal)
    write(journal)
    assert journal.news.told == before + 2
    with pytest.raises(ZeroDivisionError), journal.transaction() as db:
        call_now.ask(db)
        raise ZeroDivisionError
    assert journal.news.told == before + 2


def test_what_is_waited_for_is_looked_at_with_each_news_and_not_for_ever(journal: Journal) -> None:
    write(journal)
    looks: list[bool] = []

    def is_done() -> bool:
        looks.append(True)
        if len(looks) == 1:
            threading.Timer(0.1, journal.news.tell).start()
        if len(looks) == 2:
            journal.news.tell()
        return len(looks) == 3

    assert ends(lambda: journal.news.until(is_done, EVER_S, EVER_S))
    assert len(looks) == 3
    assert not journal.news.until(lambda: False, 0.02, 0.01)
    assert journal.news.until(lambda: True, 0.0, 0.01)


def test_the_agent_hears_what_another_process_writes(tmp_path: Path, journal: Journal) -> None:
    with bell.heard(tmp_path, journal.news), closing(open_journal(tmp_path)) as another:
        told = journal.news.told
        write(another)
        assert ends(lambda: journal.news.wait(told, EVER_S))
        told = journal.news.told
        bell.ring(tmp_path)
        assert ends(lambda: journal.news.wait(told, EVER_S))


def test_a_bell_is_its_owners_alone_and_goes_with_the_agent(tmp_path: Path, news: News) -> None:
    with bell.heard(tmp_path, news):
        mode = (tmp_path / "bell").stat().st_mode
        assert stat.S_ISFIFO(mode)
        assert stat.S_IMODE(mode) == 0o600
    assert not list(tmp_path.iterdir())


def leave_pipe(file: Path) -> None:
    os.mkfifo(file)


def leave_file(file: Path) -> None:
    file.write_text("of a copy that made a file of it")


@pytest.mark.parametrize("leave", [leave_pipe, leave_file])
def test_what_was_left_behind_is_replaced(tmp_path: Path, news: News, leave: Callable[[Path], None]) -> None:
    leave(tmp_path / "bell")
    with bell.heard(tmp_path, news):
        told = news.told
        bell.ring(tmp_path)
        assert ends(lambda: news.wait(told, EVER_S))


def test_ringing_waits_for_nobody(tmp_path: Path) -> None:
    assert ends(lambda: bell.ring(tmp_path))  # no agent was ever there
    leave_pipe(tmp_path / "bell")
    assert ends(lambda: bell.ring(tmp_path))  # nobody listens any more
    deaf = os.open(tmp_path / "bell", os.O_RDWR)
    assert ends(lambda: [bell.ring(tmp_path) for _ in range(70_000)])  # more than the pipe holds
    os.close(deaf)


def test_where_no_bell_can_be_hung_it_is_looked_often(
    tmp_path: Path, news: News, caplog: pytest.LogCaptureFixture
) -> None:
    (tmp_path / "bell" / "in the way").mkdir(parents=True)
    with bell.heard(tmp_path, news):
        assert news.longest_s == 0.2
        assert ends(lambda: news.wait(news.told, EVER_S))
    assert "no bell can be hung" in caplog.text


class MovesTheClock(News):
    """Whoever waits has the clock go on instead; what was waited for is kept."""

    def __init__(self, clock: HandClock) -> None:
        super().__init__()
        self.clock, self.waits = clock, list[float]()

    def wait(self, told: int, real_s: float) -> None:
        if told == self.told:
            self.waits.append(real_s)
            self.clock.at += min(real_s, EVER_S)


def rig(folder: Path) -> Rig:
    clock = HandClock()
    return Rig(folder, make_studio(clock), clock)


@pytest.mark.parametrize(("asked_every_s", "most_waits"), [(math.inf, 30), (30.0, 60)])
def test_the_print_loop_sleeps_until_something_is_due_or_the_machine_is_to_be_asked(
    tmp_path: Path, asked_every_s: float, most_waits: int
) -> None:
    node = rig(tmp_path)
    node.asked_every_s = asked_every_s
    node.fetch()
    news = MovesTheClock(node.clock)
    node.journal.news = news
    until = node.clock.at + 10 * 120.0 + 90.0
    agent.print_until(node.printer, node.clock, news, lambda: node.clock.at >= until)
    assert len(node.paper().laid) == 11
    assert len(news.waits) <= most_waits, "a column is ordered and laid, and nothing is looked at in between"
    assert max(news.waits) <= asked_every_s


def test_without_work_the_print_loop_sleeps(tmp_path: Path) -> None:
    node = rig(tmp_path)
    news = MovesTheClock(node.clock)
    node.journal.news = news
    until = node.clock.at + 10 * EVER_S
    agent.print_until(node.printer, node.clock, news, lambda: node.clock.at >= until)
    assert news.waits == [math.inf] * 10


def test_a_person_in_another_process_stops_a_motion_that_is_under_way(tmp_path: Path) -> None:
    node = rig(tmp_path)
    news = node.journal.news
    news.longest_s = EVER_S
    node.fetch()
    node.run_columns(2)
    assert node.machine is not None
    lays, halted, ended = threading.Event(), threading.Event(), threading.Event()

    def lay(*order: object) -> None:
        lays.set()
        assert halted.wait(PATIENCE_S)
        raise MachineStopped("paused")

    node.machine.lay = lay  # type: ignore[method-assign]
    node.machine.halt = halted.set  # type: ignore[method-assign]
    time_kept = Timekeeper(node.clock, node.journal, "boot")
    watching = threading.Thread(
        target=agent.watch,
        args=(node.journal, node.printer, time_kept, lambda word: None, ended.is_set),
        daemon=True,
    )
    printing = threading.Thread(target=lambda: node.run_columns(3), daemon=True)
    with bell.heard(tmp_path, news), closing(open_journal(tmp_path)) as another:
        watching.start()
        printing.start()
        assert lays.wait(PATIENCE_S)
        with another.transaction() as db:
            operator_actions.act(db, "stop")
        printing.join(PATIENCE_S)
        assert halted.is_set()
        ended.set()
        news.tell()
        watching.join(PATIENCE_S)
    assert not printing.is_alive()
    assert not watching.is_alive()


def test_a_stop_is_watched_until_the_machine_rests(tmp_path: Path) -> None:
    """A motion may begin between the look of the one that prints and the look of the one that watches."""
    node = rig(tmp_path)
    node.fetch()
    node.run_columns(2)
    time_kept = Timekeeper(node.clock, node.journal, "boot")

    def watched_s() -> float:
        return agent.watched(node.journal.state(), node.printer, time_kept)

    assert watched_s() == math.inf
    with node.journal.transaction() as db:
        operator_actions.act(db, "stop")
    assert watched_s() == 0.2
    node.run_columns(1)
    assert watched_s() == math.inf


def test_a_process_that_is_told_to_stop_does_not_wait(tmp_path: Path, news: News) -> None:
    """A signal's handler sets a word and rings; who waits hears of it."""
    stop = agent.Stop()
    with bell.heard(tmp_path, news), agent.heeding_signals(stop, tmp_path):
        told = news.told
        threading.Timer(0.1, lambda: os.kill(os.getpid(), signal.SIGTERM)).start()
        began_s = time.monotonic()
        news.wait(told, EVER_S)
        assert time.monotonic() - began_s < PATIENCE_S
    assert stop.is_asked()


def test_the_news_of_a_process_beside_the_agent_ring(tmp_path: Path, news: News) -> None:
    with bell.heard(tmp_path, news):
        told, beside = news.told, TellsAgent(tmp_path)
        beside.tell()
        wait_for(lambda: news.told > told, "that it is heard")
        assert beside.told == 1
