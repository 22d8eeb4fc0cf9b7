"""What a person has a paused machine do, through the whole chain: command, agent, serial line, emulated controller."""

from __future__ import annotations

import json
from pathlib import Path

import numpy as np

from machines.drivers.simulated.paper import NO_COLUMN, read_paper
from machines.protocol.journal_entries import OperatorActed
from tests.machines.node.account import check_paper
from tests.machines.node.relay import carriage_profile
from tests.machines.node.test_end_to_end import wait_for
from tests.machines.node.test_serial_node import emulator, serial_bench, start, studio_bench


def test_a_controller_feeds_fires_each_nozzle_alone_and_cuts(tmp_path: Path) -> None:
    profile = carriage_profile(columns_per_burst=4, highest_mm_per_hour=120.0)
    with serial_bench(tmp_path, profile) as (bench, device):
        paper = tmp_path / "machine" / "paper"
        agent = start(bench, device)
        wait_for(lambda: (paper / "paper.ledger").exists() and len(read_paper(paper).laid) >= 4, "the first columns")
        bench.act("pause")
        wait_for(lambda: "paused" in bench.status().conditions, "that it stands")
        assert "Done." in bench.call("feed", "--mm", "20", "--yes").stdout
        assert "dead nozzle" in bench.call("test-pattern", "nozzles", "--yes").stdout
        bench.arm()
        assert "Done." in bench.call("cut", "--yes").stdout
        bench.act("resume")
        bench.wait_for_the_end()
        bench.stop(agent)
        lies = read_paper(paper)
        assert check_paper(lies, bench.studio, list(bench.studio.entries)) == bench.whole
        of_none = lies.laid["place"][lies.laid["column"] == NO_COLUMN]
        acted = [one for one in bench.studio.all_of(OperatorActed) if one.paper_position is not None]
        fed, pattern, cut = acted
        assert [one.action for one in acted] == ["feed", "test-pattern", "cut"]
        assert all(one.seen_done for one in acted)
        assert fed.paper_position is not None and pattern.paper_position == fed.paper_position + 40
        assert of_none.tolist() == list(range(fed.paper_position, fed.paper_position + 40 + 48))
        assert not lies.dots[:, fed.paper_position : fed.paper_position + 40].any()
        steps = lies.dots[:, pattern.paper_position : pattern.paper_position + 48 : 4]
        assert (steps.sum(axis=1) == 1).all(), "each row by the nozzle that is its own"
        assert np.diff(np.argmax(steps, axis=1)).min() >= 0
        assert cut.paper_position in lies.cuts["place"].tolist()


def test_a_controller_whose_memory_is_erased_stands_until_a_person_tells_it_its_place(tmp_path: Path) -> None:
    profile = carriage_profile(columns_per_burst=4, highest_mm_per_hour=120.0)
    machine = tmp_path / "machine"
    with studio_bench(tmp_path, profile) as bench:

        def laid() -> int:
            return len(read_paper(machine / "paper").laid)

        with emulator(machine, profile) as device:
            agent = start(bench, device)
            wait_for(lambda: (machine / "paper" / "paper.ledger").exists() and laid() >= 4, "the first columns")
        memory = json.loads((machine / "memory.json").read_text())
        (machine / "memory.json").write_text(json.dumps({**memory, "end": None, "column": None}))
        with emulator(machine, profile) as device:
            wait_for(lambda: "other-error" in bench.status().conditions, "that it has lost its place")
            before = laid()
            assert "pause it first" in bench.call("set-place", "--yes", expect=2).stderr
            bench.act("pause")
            wait_for(lambda: "paused" in bench.status().conditions, "that it stands")
            assert laid() == before
            said = bench.call("set-place", "--mm", "3", "--yes").stdout
            assert "By this node's journal the paper at the head is" in said
            assert "prints behind it" in said
            assert "knows its place" in bench.call("set-place", "--yes", expect=2).stderr
            bench.act("resume")
            bench.wait_for_the_end()
            bench.stop(agent)
    lies = read_paper(machine / "paper")
    assert check_paper(lies, bench.studio, list(bench.studio.entries)) == bench.whole
    assert not lies.refused.size
    assert len(set(lies.laid["place"].tolist())) == len(set(lies.laid["column"].tolist())) == len(lies.laid)
    (told,) = [one for one in bench.studio.all_of(OperatorActed) if one.action == "place-set"]
    assert told.seen_done and told.paper_position is not None
    places = lies.laid["place"]
    next_place = int(places[places >= told.paper_position][0])
    assert next_place == told.paper_position + told.paper_columns >= told.paper_position + 6
