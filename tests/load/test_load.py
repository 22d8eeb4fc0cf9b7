"""A small draw of `make load`, and that its judge finds what it is there to find."""

from __future__ import annotations

import os
import time
from collections.abc import Callable
from dataclasses import replace

import pytest

from server.demo.server_parts import embedded
from tests.load import judged
from tests.load.figures import Figures, percentile
from tests.load.judged import Journals, Ran
from tests.load.play import Asked, Played, play
from tests.load.processes import taken
from tests.load.told import summary

NOW = 1_800_000_000.0
WEEK_S = 604_800.0
ENTRY = ("machine-0", 1, "node-started", NOW - 60.0)
RAN = Ran(nodes=1, lasted_s=120.0, ended_at=NOW, rate=1.0)
WELL = Journals((ENTRY,), (NOW - 5.0,), {"machine-0": NOW + WEEK_S})


def measured() -> Figures:
    """Of a board with which all is well."""
    return Figures(took_s={"poll": [0.01, 0.02]}, told_after_s=[3.0], missed_s=[0.2])


@pytest.fixture(scope="module")
def asked() -> Asked:
    return Asked(nodes=12, venues=3, lasts_s=12.0, rate=12.0)


@pytest.fixture(scope="module")
def played(asked: Asked, tmp_path_factory: pytest.TempPathFactory) -> Played:
    return play(asked, embedded, tmp_path_factory.mktemp("load"), lambda line: None)


def test_a_dozen_boards_lose_nothing(asked: Asked, played: Played) -> None:
    # How long a call takes is no matter of a test, nor is how late a busy computer lays a burst.
    assert [wrong for wrong in played.broken if " s or longer" not in wrong and "laid more" not in wrong] == []
    told = summary(asked, played)
    assert told["entries"] >= 12, "each board tells at least that it began"
    assert told["calls"]["poll"]["count"] >= 24
    assert "plate" not in told["calls"], "each was fetched once, as its board was set up"
    assert told["calls"]["overview 200"]["count"] >= 1
    assert {*told["processes"]} == {"the server", "boards 1"}
    assert min(one["memory_mb"] for one in told["processes"].values()) > 0


def test_an_entry_that_is_gone_is_found(played: Played) -> None:
    assert judged.lost(played.written.taken, played.log) == []
    assert {machine for machine, *_ in played.log} == {f"machine-{number}" for number in range(12)}
    place = len(played.log) // 2
    machine, seq, kind, at = played.log[place]
    rest = [*played.log[:place], *played.log[place + 1 :]]
    words = f"{machine}'s entry {seq}, {kind}, is in the log"
    assert judged.lost(played.written.taken, rest) == [f"{words} 0 times"]
    assert judged.lost(played.written.taken, [*played.log, played.log[place]]) == [f"{words} 2 times"]
    assert judged.lost(played.written.taken, [*rest, (machine, seq, kind, at + 0.001)]) == [f"{words} 0 times"]


def test_nothing_is_said_where_all_is_well() -> None:
    assert judged.broken(RAN, measured(), WELL, [ENTRY]) == []


LIES: dict[str, Callable[[Figures], object]] = {
    "1 times report: refused: 500": lambda figures: figures.failed.update(["report: refused: 500"]),
    "a board broke off: ValueError": lambda figures: figures.errors.append("Traceback\nValueError\n"),
    "1 entries were told more than 150 s late": lambda figures: figures.told_after_s.append(150.5),
    "1 stretches were laid more than 15 s off": lambda figures: figures.missed_s.append(-15.5),
    "1 gaps had to be settled": lambda figures: setattr(figures, "settled", 1),
    "0 polls came to an answer, and 1 at least are due": lambda figures: figures.took_s.clear(),
    "one poll in a hundred took 1.00 s or longer, and 1 s are allowed": lambda figures: figures.took("poll", 1.0),
}


@pytest.mark.parametrize("said", LIES)
def test_what_is_amiss_with_calls_is_said(said: str) -> None:
    figures = measured()
    LIES[said](figures)
    assert judged.broken(RAN, figures, WELL, [ENTRY]) == [said]


JOURNALS = {
    "1 entries were not told within 150 s": replace(WELL, untold_since=(NOW - 150.5,)),
    "1 boards hold less than 24 h of work": replace(WELL, held_until={"machine-0": NOW + 86_399.0}),
    "1 boards are missing": replace(WELL, held_until={}),
}


@pytest.mark.parametrize("said", JOURNALS)
def test_what_is_amiss_with_boards_is_said(said: str) -> None:
    assert judged.broken(RAN, measured(), JOURNALS[said], [ENTRY]) == [said]


def test_percentiles_are_of_what_was_measured() -> None:
    hundred = [float(value) for value in range(100, 0, -1)]
    assert [percentile(hundred, percent) for percent in (50, 99, 100)] == [50.0, 99.0, 100.0]
    assert percentile([7.0], 99) == 7.0
    assert percentile([], 99) == 0.0


def test_a_process_is_counted_with_what_it_started() -> None:
    before = taken(os.getpid())
    began_s = time.process_time()
    while time.process_time() - began_s < 0.1:
        pass
    now = taken(os.getpid())
    assert now.processor_s - before.processor_s >= 0.05
    assert now.memory_mb > 1
    assert taken(2**22 + 1).memory_mb == 0, "there is no such process (proc(5): pid_max)"


def test_more_venues_than_machines_are_refused() -> None:
    with pytest.raises(Exception, match="4 venues for 3 nodes: give at least one, and one node to each"):
        Asked(nodes=3, venues=4, lasts_s=1.0, rate=1.0)
