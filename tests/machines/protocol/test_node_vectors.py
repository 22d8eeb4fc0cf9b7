"""The vectors that other nodes are held against: what the code makes of them now, and what the tiny node does."""

from __future__ import annotations

import base64
import json
from typing import Any

import numpy as np
import pytest

from machines.imaging.plate import Plate
from scheduling.nodes.settlement_check import DECISION_PARTS
from tests.node_vectors.__main__ import written
from tests.node_vectors.made import FOLDER, MADE, profile
from tests.tiny_node.clock import ServerClock
from tests.tiny_node.plate import read_plate
from tests.tiny_node.settling import NotKnown, decide
from tests.tiny_node.work import Held


def vectors(name: str) -> Any:
    read = json.loads((FOLDER / f"{name}.json").read_text())
    (rows,) = (rows for member, rows in read.items() if member != "about")
    assert len(rows) >= 3
    return rows


@pytest.mark.parametrize("name", sorted(MADE.keys() - {"plates"}))
def test_they_are_what_the_code_does(name: str) -> None:
    assert (FOLDER / f"{name}.json").read_text() == written(MADE[name]()), "a change of the contract: make vectors"


def test_no_others_lie_there() -> None:
    assert {file.stem for file in FOLDER.iterdir()} == MADE.keys()


@pytest.mark.parametrize("one", vectors("plates"))
def test_plates_by_both(one: Any) -> None:
    """The file around the dots is another compressor's; its dots and their name are not."""
    png = base64.b64decode(one["png"])
    ours, theirs = Plate.from_png(png), read_plate(png)
    assert ours.digest == theirs.digest == one["digest"]
    rows = np.array([[dot == "#" for dot in row] for row in one["rows"]])
    assert (ours.dots == rows).all()
    assert [theirs.column(column) for column in range(one["columns"])] == [tuple(column) for column in rows.T.tolist()]


def held(said: dict[str, Any], cadence: int, **more: Any) -> Held:
    model = profile(cadence).as_json()
    return Held({"run": said, "profile": model, "segments": []} | more)


@pytest.mark.parametrize("one", vectors("bursts"))
def test_bursts_by_the_tiny_node(one: Any) -> None:
    work = held(one["run"], one["columns_per_burst"], segments=one["segments"])
    for column, end, due in one["bursts"]:
        assert work.burst_end(column) == end
        assert work.due(column) == pytest.approx(due, abs=1e-5)
    for at, first in one["first_after"]:
        assert work.first_after(at) == first


def test_settlements_by_the_tiny_node() -> None:
    """Those of the rules that it knows; any other it refuses."""
    known = 0
    for one in vectors("settlements"):
        run = {"mean_turn_s": 86400.0, "end_column": one["end_column"]}
        work, gap = held(run, one["columns_per_burst"], policy=one["policy"]), one["gap"]
        columns = gap["first"], gap["unknown_end"], gap["end"]
        try:
            ours = decide(work, gap["cause"], *columns)
        except NotKnown:
            continue
        known += 1
        theirs = one["decision"]
        assert (ours["action"], ours["true_again"]) == (theirs["action"], theirs["true_again"])
        for part in DECISION_PARTS:
            there = theirs[part]
            here = ours.get(part, {"first": 0, "end": 0})
            empty = there["first"] == there["end"] and here["first"] == here["end"]
            assert empty or here == there, part
    assert known >= 100


@pytest.mark.parametrize("one", vectors("strips"))
def test_strips_by_the_tiny_node(one: Any) -> None:
    said = {"strips_per_turn": one["strips_per_turn"]}
    model = profile(1, one["columns_per_turn"]).as_json()
    work = Held({"run": said, "profile": model, "segments": []})
    assert work.boundaries(one["after"], one["through"]) == one["boundaries"]


@pytest.mark.parametrize("one", vectors("clock"))
def test_the_clock_by_the_tiny_node(one: Any) -> None:
    asked, received, sent, answered = one["stamps"]
    count = iter((asked, answered, answered))
    clock = ServerClock(lambda: next(count))
    clock.take_sample(lambda: (received, sent))
    told = clock.now()
    assert told is not None
    now, error_s = told
    assert now - answered == pytest.approx(one["offset_s"], abs=1e-5)
    # Its bound is half the way there and back, or more where it does not leave out the server's own time.
    assert error_s >= one["delay_s"] / 2.0 - 1e-9
