"""The orders that lay a burst say exactly what the head's plan says."""

from __future__ import annotations

import base64
from collections.abc import Iterable

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from machines.drivers.serial.framing import LINE_LIMIT, encode
from machines.drivers.serial.orders import Words, burst
from machines.model.head import plan
from machines.model.profile import CarriageHead, LineHead
from tests.machines.drivers.serial.bench import SEED, Dots, profile


def steps_of(orders: Iterable[Words], nozzles: int, rows: int) -> list[tuple[int, Dots]]:
    """What fires at each step, read from the orders by PROTOCOL.md: place, bool of shape (nozzles, rows)."""
    steps = []
    held = np.zeros((nozzles, -(-rows // 8)), dtype=np.uint8)
    for order in orders:
        match order:
            case ("dots", int(part), int(offset), str(packed)):
                octets = base64.b64decode(packed, validate=True)
                assert not held[part, offset : offset + len(octets)].any(), "dots were given twice"
                held[part, offset : offset + len(octets)] = np.frombuffer(octets, dtype=np.uint8)
            case ("step", int(place), int(count)):
                fires = np.unpackbits(held, axis=1)[:, :rows].astype(np.bool_)
                assert int(fires.sum()) == count
                steps.append((place, fires))
                held[:] = 0
    return steps


@settings(max_examples=50)
@given(st.integers(0, 2**32 - 1), st.integers(1, 9), st.sampled_from([0.0, 0.05, 0.5, 1.0]), st.integers(8, 90))
def test_carriage_fires_as_planned(seed: int, columns: int, density: float, rows: int) -> None:
    of = profile(dots=rows)
    assert isinstance(of.head, CarriageHead)
    dots = np.random.default_rng(seed).random((rows, columns)) < density
    steps = steps_of(burst(500, dots, 40, of, SEED), of.head.nozzles, rows)
    planned = plan(dots, 40, of.head, SEED)
    assert [place for place, _ in steps] == list(range(500, 500 + columns + of.head.nozzles - 1))
    for (_, fires), step in zip(steps, planned.steps, strict=True):
        assert np.array_equal(fires, planned.fired(step))


@settings(max_examples=50)
@given(st.integers(0, 2**32 - 1), st.integers(1, 5), st.sampled_from([0.0, 0.05, 0.5, 1.0]), st.integers(8, 90))
def test_line_head_stays_within_its_supply(seed: int, columns: int, density: float, rows: int) -> None:
    of = profile(carriage=False, dots=rows)
    assert isinstance(of.head, LineHead)
    dots = np.random.default_rng(seed).random((rows, columns)) < density
    steps = steps_of(burst(500, dots, 40, of, SEED), 100, rows)
    assert [place for place, _ in steps] == list(range(500, 500 + columns))
    for column, (_, fires) in enumerate(steps):
        assert np.array_equal(fires.sum(axis=0), dots[:, column].astype(int)), "each dot fires once"
        assert fires.sum(axis=1).max() <= of.head.dots_per_strobe


@pytest.mark.parametrize("density", [0.001, 0.5, 1.0])
def test_every_order_of_a_wide_head_fits_a_line(density: float) -> None:
    of = profile(dots=65_536)
    dots = np.random.default_rng(1).random((65_536, 2)) < density
    for order in burst(2**31, dots, 2**31, of, SEED):
        assert len(encode("do", 2**32 - 1, 2**32 - 1, *order)) <= LINE_LIMIT


def test_blank_columns_send_no_dots() -> None:
    of = profile()
    orders = list(burst(0, np.zeros((24, 2), dtype=np.bool_), 0, of, SEED))
    assert [order[0] for order in orders] == ["burst", "step", "step", "step", "step", "step", "cap"]
