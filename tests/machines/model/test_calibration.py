"""What was measured of a machine: what is refused, and that it fits the machine."""

from __future__ import annotations

import json
from typing import Any

import numpy as np
import pytest

from machines.errors import InputError
from machines.model.calibration import Calibration
from machines.model.head import plan
from machines.model.profile import CarriageHead
from machines.serialization import structure, unstructure
from tests.machines.node.relay import carriage_profile, line_profile


def test_as_it_comes_it_changes_nothing() -> None:
    profile = carriage_profile()
    Calibration().check(profile)
    Calibration().check(line_profile())
    assert Calibration().applied_to(profile) == profile


def test_it_survives_the_wire() -> None:
    measured = Calibration(feed_factor=0.995, dead_nozzles=(3, 7), head_to_knife_mm=181.5)
    assert structure(json.loads(json.dumps(unstructure(measured))), Calibration) == measured


@pytest.mark.parametrize(
    ("values", "field"),
    [
        ({"feed_factor": 0.0}, "feed_factor"),
        ({"feed_factor": 0.79}, "feed_factor"),
        ({"feed_factor": 1.26}, "feed_factor"),
        ({"feed_factor": float("nan")}, "feed_factor"),
        ({"dead_nozzles": (-1,)}, "dead_nozzles"),
        ({"dead_nozzles": (3, 3)}, "dead_nozzles"),
        ({"dead_nozzles": (4, 3)}, "dead_nozzles"),
        ({"head_to_knife_mm": -0.1}, "head_to_knife_mm"),
        ({"head_to_knife_mm": 1e6}, "head_to_knife_mm"),
        ({"head_to_knife_mm": float("nan")}, "head_to_knife_mm"),
    ],
)
def test_what_cannot_be_is_refused_with_its_field(values: dict[str, Any], field: str) -> None:
    with pytest.raises(InputError) as caught:
        Calibration(**values)
    assert caught.value.field == field


@pytest.mark.parametrize("factor", [0.8, 1.25])
def test_the_ends_of_the_range_are_allowed(factor: float) -> None:
    assert Calibration(feed_factor=factor).feed_factor == factor


@pytest.mark.parametrize("dead", [(12,), tuple(range(11)), tuple(range(12))])
def test_nozzles_that_the_head_cannot_miss_are_refused(dead: tuple[int, ...]) -> None:
    """The head has 12 and makes 2 passes."""
    with pytest.raises(InputError) as caught:
        Calibration(dead_nozzles=dead).check(carriage_profile())
    assert caught.value.field == "dead_nozzles"


@pytest.mark.parametrize("count", range(1, 11))
def test_what_it_lets_pass_the_head_can_plan(count: int) -> None:
    head = CarriageHead(nozzles=12, passes=2, drop_pl=10.0)
    Calibration(dead_nozzles=tuple(range(count))).check(carriage_profile(head=head))
    dots = np.ones((8, 8), dtype=np.bool_)
    assert plan(dots, 0, head, 1, range(count)).laid(range(count)).all()


def test_a_line_head_has_no_nozzle_to_leave_out() -> None:
    with pytest.raises(InputError, match="line head"):
        Calibration(dead_nozzles=(1,)).check(line_profile())


def test_a_knife_that_is_not_there_cannot_be_measured() -> None:
    with pytest.raises(InputError, match="no knife"):
        Calibration(head_to_knife_mm=10.0).check(line_profile(knife=None))


def test_the_measured_knife_takes_the_profiles_place() -> None:
    profile = line_profile()
    measured = Calibration(head_to_knife_mm=25.0).applied_to(profile)
    assert profile.knife_columns == 40
    assert measured.knife_columns == 50
    assert measured.knife is not None and profile.knife is not None
    assert measured.knife.cuts_per_blade == profile.knife.cuts_per_blade
