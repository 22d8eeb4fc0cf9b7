"""What was measured of a machine, measured again with what was kept: it comes to rest at the truth."""

from __future__ import annotations

from dataclasses import replace

import pytest
from hypothesis import given
from hypothesis import strategies as st

from machines.errors import InputError
from machines.model.calibration import Calibration
from scheduling.log.models import Event, Machine
from scheduling.queries.calibration import (
    calibrate,
    calibrated_profile,
    machine_calibration,
    with_dead,
    with_feed,
    with_knife,
)
from tests.scheduling.house import by, furnish, small_profile


@given(true=st.floats(0.96, 1.04), printed_mm=st.floats(50.0, 1000.0))
def test_a_ruler_printed_with_what_was_measured_is_true(true: float, printed_mm: float) -> None:
    """A machine that feeds ``true`` of what it is ordered is ordered 1 / factor times as much."""
    calibration = Calibration()
    for _ in range(2):
        measured_mm = printed_mm * true / calibration.feed_factor
        calibration = with_feed(calibration, printed_mm, measured_mm)
        assert calibration.feed_factor == pytest.approx(true, abs=1e-6)


@given(true_mm=st.floats(5.0, 14.0))
def test_a_scale_cut_with_what_was_measured_is_cut_on_its_stroke(true_mm: float) -> None:
    """A knife nearer than it is taken to be cuts paper that was printed later: plus on the scale."""
    calibration, profile = Calibration(), small_profile()
    for believed_mm in (10.0, true_mm):
        calibration = with_knife(calibration, profile, cut_at_mm=believed_mm - true_mm)
        assert calibration.head_to_knife_mm == pytest.approx(true_mm)


def test_one_reading_leaves_the_others_alone() -> None:
    calibration = Calibration(feed_factor=0.99, dead_nozzles=(1,), head_to_knife_mm=9.0)
    assert with_dead(calibration, (5, 2, 5)) == replace(calibration, dead_nozzles=(2, 5))
    assert with_feed(calibration, 100.0, 100.0) == calibration
    assert with_knife(calibration, small_profile(), 0.0) == calibration


@pytest.mark.django_db
def test_a_machine_is_its_model_with_what_was_measured() -> None:
    furnish()
    machine = Machine.objects.get()
    assert machine_calibration(machine) == Calibration() and calibrated_profile(machine) == small_profile()
    measured = Calibration(feed_factor=1.01, head_to_knife_mm=12.0)
    calibrate("one", measured, by())
    machine.refresh_from_db()
    assert machine_calibration(machine) == measured
    knife = calibrated_profile(machine).knife
    assert knife is not None and (knife.head_to_knife_mm, knife.cuts_per_blade) == (12.0, 100)
    calibrate("one", measured, by())
    assert Event.objects.filter(kind="machine-calibrated").count() == 1


@pytest.mark.django_db
def test_what_the_machine_cannot_have_is_refused() -> None:
    furnish(knife=None)
    with pytest.raises(InputError, match="no knife"):
        calibrate("one", Calibration(head_to_knife_mm=12.0), by())
    with pytest.raises(InputError, match="no nozzle 8"):
        calibrate("one", Calibration(dead_nozzles=(8,)), by())
    with pytest.raises(InputError, match="two"):
        calibrate("two", Calibration(), by())
    assert not Event.objects.filter(kind="machine-calibrated").exists()
