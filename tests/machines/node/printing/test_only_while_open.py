"""A run that is printed only while its venue is open: the closed hours are recesses."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import pytest

from machines.clock import utc
from machines.node.panel import panel_state
from machines.protocol.journal_entries import GapSettled
from machines.protocol.messages import Work
from machines.protocol.recesses import Recess
from machines.recovery import Policy, Span
from tests.machines.node.outages import OutageStudio, check_story, outage_studio
from tests.machines.node.rig import HandClock, Rig

# The first column of each closed time, and the one after which it ends.
CLOSED = ((20, 30), (60, 65))


def rig(home: Path, kind: str = "skip", *, only_while_open: bool = True) -> tuple[Rig, OutageStudio]:
    clock = HandClock()
    studio = outage_studio(clock, Policy(kind=kind))  # type: ignore[arg-type]
    assert studio.run is not None
    studio.run = replace(studio.run, only_while_open=only_while_open)
    spans = ((studio.instant(first), studio.instant(end - 0.5)) for first, end in CLOSED)
    studio.closed = tuple(Span(starts_at=utc(first), ends_at=utc(end)) for first, end in spans)
    node = Rig(home, studio, clock)
    node.fetch()
    return node, studio


def laid(node: Rig) -> list[int]:
    return [int(column) for column in node.paper().laid["column"]]


def test_nothing_is_laid_while_the_venue_is_closed(tmp_path: Path) -> None:
    node, studio = rig(tmp_path)
    node.run_columns(80)
    assert laid(node) == [*range(20), *range(30, 60), *range(65, 80)]
    assert [entry.gap.cause for entry in node.entries(GapSettled)] == ["held", "held"]
    node.fetch()
    check_story(node.paper(), studio, node.entries())


@pytest.mark.parametrize("kind", ["blank", "replay"])
def test_the_policy_says_what_becomes_of_the_closed_hours(tmp_path: Path, kind: str) -> None:
    node, studio = rig(tmp_path, kind)
    node.run_columns(130)
    expected = [column for column in range(130) if kind == "replay" or not (20 <= column < 30 or 60 <= column < 65)]
    assert laid(node) == node.paper().laid["place"].tolist() == expected
    at = node.paper().laid["at"]
    for span in studio.closed:
        assert not [one for one in at if span.starts_at.timestamp() <= one < span.ends_at.timestamp()]


def test_round_the_clock_it_prints_on(tmp_path: Path) -> None:
    node, _ = rig(tmp_path, only_while_open=False)
    node.run_columns(80)
    assert laid(node) == list(range(80))


def test_hours_that_change_reach_it_with_the_next_work(tmp_path: Path) -> None:
    node, studio = rig(tmp_path)
    node.run_columns(25)
    studio.closed = ()
    node.fetch()
    node.run_columns(15)
    assert laid(node) == [*range(20), *range(25, 40)] or laid(node) == [*range(20), *range(26, 40)]


def test_a_hold_that_reaches_into_closed_hours_lasts_to_the_end_of_both(tmp_path: Path) -> None:
    node, studio = rig(tmp_path)
    assert studio.run is not None
    recess = Recess(starts_at=utc(studio.instant(15)), ends_at=utc(studio.instant(25)))
    studio.run = replace(studio.run, recesses=(recess,))
    node.fetch()
    node.run_columns(50)
    assert laid(node) == [*range(15), *range(30, 50)]
    assert len(node.entries(GapSettled)) == 1


def test_whoever_stands_there_reads_why(tmp_path: Path) -> None:
    node, _ = rig(tmp_path)
    node.run_columns(25)
    (now,) = [text for name, text in panel_state.gather(node.journal, node._server_time()).lines if name == "Now"]
    assert now.startswith("not printing while the venue is closed, until 2026-09-")


def test_it_is_told_only_of_such_a_run(tmp_path: Path) -> None:
    _, studio = rig(tmp_path)
    told = studio.work().as_json()
    assert told["run"]["only_while_open"] is True
    assert Work.from_json(told).as_json() == told
    assert studio.run is not None
    studio.run = replace(studio.run, only_while_open=False)
    assert "only_while_open" not in studio.work().as_json()["run"]
