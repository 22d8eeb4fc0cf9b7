"""A node beside a machine that is not well: its own process, a file of faults, and a person who clears one."""

from __future__ import annotations

import subprocess
import sys
from collections.abc import Callable

import numpy as np
import pytest

from machines.clock import utc
from machines.drivers.simulated.fault_file import FaultDocument, write_faults
from machines.drivers.simulated.faults import Jam, Slip
from machines.drivers.simulated.paper import read_paper
from machines.protocol.journal_entries import ConditionsChanged, FeedCorrected, SlipMeasured
from tests.machines.node.relay import line_profile
from tests.machines.node.test_end_to_end import COLUMNS, Bench, make_bench, wait_for

__all__ = ["make_bench"]  # the fixture
JAM = "media-jam-error"


def conditions(bench: Bench) -> list[tuple[str, ...]]:
    return [entry.keywords for entry in bench.studio.all_of(ConditionsChanged)]


def test_a_jam_stops_it_until_a_person_clears_it_and_a_slip_is_told(
    make_bench: Callable[..., Bench], tmp_path_factory: pytest.TempPathFactory
) -> None:
    """2 % of slip on 160 columns of half a millimetre: 1.6 mm, of which nothing can be put right, as no place is
    blank."""
    bench = make_bench("replay", line_profile(encoder_pitch_mm=0.01))  # late on a busy machine, it prints all the same
    faults = tmp_path_factory.mktemp("machine") / "faults.json"
    slip = Slip(at=utc(0.0), share=0.02)
    write_faults(faults, FaultDocument(faults=(slip,)))
    agent = bench.start("--resume-unattended", "--faults", str(faults))
    bench.wait_for_columns(20)
    write_faults(faults, FaultDocument(faults=(slip, Jam(at=utc(bench.studio.clock.now())))))
    wait_for(lambda: (JAM,) in conditions(bench), "word of the jam")
    laid = len(bench.laid())
    jammed_at = bench.studio.clock.now()
    wait_for(lambda: bench.studio.clock.now() > jammed_at + 10 * 120, "some time to pass")
    assert len(bench.laid()) == laid, "nothing moves while it is jammed"
    clear = [sys.executable, "-m", "machines.drivers.simulated.fault_file", str(faults), "jam"]
    subprocess.run(clear, env=bench.environ, check=True, timeout=60)
    wait_for(lambda: len(bench.laid()) > laid, "it to print on")
    bench.wait_for_the_end()
    bench.stop(agent)

    assert conditions(bench)[-1] == ()
    paper = read_paper(bench.home / "paper")
    assert not paper.refused.size
    errors_mm = (paper.true_places - paper.laid["place"]) * 0.5
    assert errors_mm == pytest.approx(-0.02 * 0.5 * paper.laid["place"], abs=1e-6)
    said = [entry.slip_mm for entry in bench.studio.all_of(SlipMeasured)]
    assert said == pytest.approx(-0.5 * np.arange(1, len(said) + 1), abs=0.05)
    assert 1 <= len(said) <= 0.02 * 0.5 * COLUMNS / 0.5
    assert bench.studio.all_of(FeedCorrected) == []
