"""Faults of what runs beside the print loop: they are told and counted, and the agent goes on."""

from __future__ import annotations

import re
import signal
import sys
from collections.abc import Callable

import pytest

from machines.drivers.simulated.paper import read_paper
from tests.machines.node.account import check_paper
from tests.machines.node.test_end_to_end import PATIENCE_S, Bench, make_bench, wait_for

__all__ = ["make_bench"]  # the fixture

# The agent itself, in which the exchange and the watch break off some times, at places where no errand catches it; not
# the print loop, which glances at the journal, too.
FAULTY = """
import sys
import threading
from machines.node.store import journal
from machines.node.waiting import inquiry
from machines.node.__main__ import main

def breaking(whole, at):
    calls = iter(range(10**9))
    def broken(self):
        beside = threading.current_thread() is not threading.main_thread()
        if beside and next(calls) in at:
            raise ZeroDivisionError("of the test")
        return whole(self)
    return broken

inquiry.WorkInquiry.begin = breaking(inquiry.WorkInquiry.begin, (2, 3, 5))
journal.Journal.glance = breaking(journal.Journal.glance, (1, 2))
sys.exit(main(sys.argv[1:]))
"""


def test_an_agent_whose_exchange_and_watch_break_off_goes_on_printing_and_reporting(
    make_bench: Callable[..., Bench], monkeypatch: pytest.MonkeyPatch
) -> None:
    bench = make_bench()
    monkeypatch.setattr(
        bench, "command", lambda *given: [sys.executable, "-c", FAULTY, *given, "--home", str(bench.home)]
    )
    agent = bench.start()
    bench.wait_for_the_end()
    bench.act("pause")
    wait_for(lambda: "paused" in bench.status().conditions, "that it stands")
    assert agent.poll() is None
    agent.send_signal(signal.SIGTERM)
    _, said = agent.communicate(timeout=PATIENCE_S)
    assert agent.returncode == 0
    check_paper(read_paper(bench.home / "paper"), bench.studio, bench.studio.entries)
    told = re.findall(
        r"(the exchange with the server|the watch) broke off by a fault of this program \(number (\d)", said
    )
    assert sorted(told) == [
        ("the exchange with the server", "1"),
        ("the exchange with the server", "2"),
        ("the watch", "1"),
        ("the watch", "2"),
    ]
    assert "ZeroDivisionError: of the test" in said
