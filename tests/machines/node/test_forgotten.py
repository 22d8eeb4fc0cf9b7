"""A server that was put back from an older copy offers again what a board has printed: it is not printed again."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import pytest

from machines.node.work import offers
from machines.node.work.offers import Fetched
from machines.protocol.journal_entries import GapSettled
from machines.protocol.messages import RunWork
from tests.machines.node.rig import HandClock, Rig, make_studio

POLICIES = ["skip", "blank", "replay", "shift"]


def run_after(run: RunWork, number: int, columns: int) -> RunWork:
    first = run.end_column
    return replace(run, id=f"run-{number}", first_column=first, end_column=first + columns)


def offer_again(node: Rig, run: RunWork, told: int) -> None:
    """As a server does that has only so many columns of a run: with all that comes after them."""
    now = node.studio.run
    node.studio.run, entries = run, node.studio.entries
    node.studio.entries = []
    work = node.studio.work()
    node.studio.run, node.studio.entries = now, entries
    assert work.run is not None
    segments = tuple(one for one in work.segments if one.end_column > run.first_column + told)
    offered = replace(work, run=replace(work.run, first_unaccounted=run.first_column + told), segments=segments)
    with node.journal.transaction() as db:
        offers.hold(db, Fetched(offered, "another"))


@pytest.mark.parametrize("policy", POLICIES)
@pytest.mark.parametrize("runs", [2, 3])
def test_a_run_that_was_finished_is_not_printed_again(tmp_path: Path, policy: str, runs: int) -> None:
    clock = HandClock()
    node = Rig(tmp_path, make_studio(clock, policy=policy, columns=60), clock)
    finished = []
    for number in range(2, runs + 1):
        node.fetch()
        node.run_columns(61)
        assert node.studio.run is not None
        finished.append(node.studio.run)
        node.studio.run = run_after(node.studio.run, number, 60)
    node.fetch()
    node.run_columns(20)
    for run in finished:
        offer_again(node, run, told=21)
        node.run_columns(1)
    node.fetch()
    node.run_columns(60)
    node.fetch()
    columns = node.paper().laid["column"].tolist()
    assert columns == list(range(60 * runs))
    assert node.entries(GapSettled) == []


def test_between_runs_a_finished_one_is_not_taken_up_either(tmp_path: Path) -> None:
    clock = HandClock()
    node = Rig(tmp_path, make_studio(clock, policy="replay", columns=60), clock)
    node.fetch()
    node.run_columns(61)
    first = node.studio.run
    assert first is not None
    node.studio.run = run_after(first, 2, 60)
    node.fetch()
    node.run_columns(60)
    offer_again(node, first, told=21)
    node.run_columns(30)
    assert node.paper().laid["column"].tolist() == list(range(120))
    assert node.entries(GapSettled) == []
