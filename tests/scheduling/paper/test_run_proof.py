"""The proof of a run takes what was measured of its machine."""

from __future__ import annotations

from datetime import timedelta
from pathlib import Path

import numpy as np
import pytest

from machines.model.calibration import Calibration
from scheduling.log.models import Run
from scheduling.paper.proof import Faults
from scheduling.paper.run_proof import run_proof
from scheduling.queries.calibration import calibrate
from scheduling.queries.runs import run_instants
from tests.scheduling.house import NOON, by, ready, run_timeline

pytestmark = pytest.mark.django_db
DEAD = (0, 1, 2, 3, 4, 5)


def test_what_is_known_to_be_dead_is_left_out(tmp_path: Path) -> None:
    ready(tmp_path)
    run = Run.objects.get()
    well = run_proof(run, "turn", Faults(), None)
    ill = run_proof(run, "turn", Faults(dead=DEAD), None)
    assert ill.dots.sum() < well.dots.sum() and well.lost is None
    calibrate("one", Calibration(dead_nozzles=DEAD), by())
    known = run_proof(run, "turn", Faults(dead=DEAD), None)
    assert np.array_equal(known.dots, well.dots)
    assert known.lost == "left out 0, 1, 2, 3, 4, 5: 0.00% of dots lost"


def test_a_timeline_that_has_waited_is_later_from_there_on(tmp_path: Path) -> None:
    ready(tmp_path, cycle="mean-solar-day", ends_at=(NOON + timedelta(days=2)).isoformat())
    run = Run.objects.get()
    columns = run.first_column + np.array([[0, 99], [100, 150]])
    planned = run_timeline(run).instants(columns)
    assert np.array_equal(run_instants(run, columns, run_timeline(run)), planned)
    run.shifts = [[run.first_column + 100, 60.0], [run.first_column + 150, 5.0]]
    assert run_instants(run, columns, run_timeline(run)) - planned == pytest.approx(
        np.array([[0.0, 0.0], [60.0, 65.0]])
    )
