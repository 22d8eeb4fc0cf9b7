"""What was measured of a machine, and what was changed at it."""

from __future__ import annotations

import pytest

from scheduling.log.models import Machine, SupplyChange
from tests.scheduling.log.facts import a_run_on_a_machine, acted, at, calibrated, printed, say

pytestmark = pytest.mark.django_db


def test_what_was_measured_last_of_a_machine_counts() -> None:
    a_run_on_a_machine()
    assert Machine.objects.get().calibration is None
    say("machine/left", calibrated(feed_factor=0.99), calibrated(dead_nozzles=(2,)))
    assert Machine.objects.get().calibration == {
        "feed_factor": 1.0,
        "dead_nozzles": [2],
        "head_to_knife_mm": None,
    }


def test_a_change_of_supplies_knows_where_the_paper_stood() -> None:
    a_run_on_a_machine(0, 1)
    say("machine/left", printed(1, 0, 30), acted(2, "roll-changed", 31), acted(3, "pause", 32))
    say("machine/left", printed(4, 30, 40), acted(5, "blade-changed", 41), acted(6, "cartridge-changed", 42))
    changes = SupplyChange.objects.order_by("version").values_list("machine_id", "part", "at", "paper_position")
    assert list(changes) == [
        ("left", "roll", at(31), 30),
        ("left", "blade", at(41), 40),
        ("left", "cartridge", at(42), 40),
    ]
    assert Machine.objects.get().accepted_through == 6
