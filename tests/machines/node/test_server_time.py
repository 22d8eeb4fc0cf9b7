"""The estimate of server time: RFC 5905 section 8, and what age does to it."""

from __future__ import annotations

import pytest
from hypothesis import assume, given
from hypothesis import strategies as st

from machines.errors import InputError
from machines.node.server_time import DRIFT, SAMPLES_KEPT, STAMP_ROUNDING_S, Sample, ServerTime, measured

seconds = st.floats(0.0, 1e7)
ways = st.floats(0.0, 30.0)


def sample(delay_s: float, taken_at_s: float, offset_s: float = 1.79e9) -> Sample:
    return Sample(offset_s=offset_s, delay_s=delay_s, taken_at_s=taken_at_s)


def test_clocks_in_step_with_50_ms_each_way() -> None:
    """T1 to T4 = 0, .050, .050, .100: offset 0, delay 0.100 s. RFC 5905 section 8; the case is worked in RFC errata
    ID 5020 (via a search excerpt of rfc-editor.org/errata/eid5020)."""
    found = measured(0.0, 0.050, 0.050, 0.100)
    assert found.offset_s == pytest.approx(0.0, abs=1e-6)
    assert found.delay_s == pytest.approx(0.100, abs=1e-6)


@given(st.floats(-1e6, 2e9), seconds, ways, ways, st.floats(0.0, 5.0))
def test_the_true_offset_lies_within_half_the_delay(
    offset_s: float, asked_s: float, there_s: float, back_s: float, work_s: float
) -> None:
    received = asked_s + there_s + offset_s
    found = measured(asked_s, received, received + work_s, asked_s + there_s + work_s + back_s)
    assert found.delay_s == pytest.approx(there_s + back_s, abs=1e-5)
    assert abs(found.offset_s - offset_s) <= found.delay_s / 2 + 1e-5


@given(st.floats(0.0, 1e5), ways, ways, st.floats(-90e-6, 90e-6), st.floats(0.0, 7 * 86400.0))
def test_the_servers_time_stays_within_the_bound_as_the_board_drifts(
    asked_s: float, there_s: float, back_s: float, drift: float, age_s: float
) -> None:
    """The board's seconds are longer or shorter than the server's by less than the bound on drift."""
    began = 1.79e9

    def server(elapsed_s: float) -> float:
        return began + elapsed_s * (1.0 + drift)

    answered_s = asked_s + there_s + back_s
    received = server(asked_s + there_s)
    time = ServerTime().after(measured(asked_s, received, received, answered_s))
    now_s = answered_s + age_s
    estimate = time.estimate(now_s)
    assert estimate is not None
    # The exchange itself drifts a little, too.
    assert abs(estimate.now - server(now_s)) <= estimate.error_s + (there_s + back_s) * DRIFT + 1e-5


def test_a_day_without_the_server_adds_what_the_crystal_may_drift() -> None:
    """Seconds a day = ppm x 0.0864: 100 ppm make 8.64 s. Computed; common practice, no source."""
    assert sample(0.2, 0.0).error_s(86400.0) == pytest.approx(0.1 + 8.64)


def test_the_least_delay_of_those_alike_in_age_is_taken() -> None:
    time = ServerTime()
    for index, delay_s in enumerate((0.5, 0.1, 0.9)):
        time = time.after(sample(delay_s, taken_at_s=float(index), offset_s=float(index)))
    best = time.best(10.0)
    assert best is not None
    assert best.delay_s == 0.1
    estimate = time.estimate(10.0)
    assert estimate is not None
    assert estimate.now == 11.0


def test_a_sample_grown_old_gives_way_to_a_worse_but_newer_one() -> None:
    time = ServerTime().after(sample(0.1, 0.0)).after(sample(0.3, 86400.0))
    best = time.best(86400.0)
    assert best is not None
    assert best.taken_at_s == 86400.0


@given(st.lists(st.tuples(ways, seconds), min_size=1, max_size=20))
def test_only_the_last_eight_count(pairs: list[tuple[float, float]]) -> None:
    time = ServerTime()
    for delay_s, taken_at_s in pairs:
        time = time.after(sample(delay_s, taken_at_s))
    assert len(time.samples) == min(SAMPLES_KEPT, len(pairs))
    assert [(one.delay_s, one.taken_at_s) for one in time.samples] == pairs[-SAMPLES_KEPT:]


def test_before_the_first_sample_nothing_is_known() -> None:
    assert ServerTime().estimate(5.0) is None
    assert ServerTime().best(5.0) is None


@given(seconds, seconds, seconds, seconds)
def test_stamps_that_no_exchange_can_have_are_refused(t1: float, t2: float, t3: float, t4: float) -> None:
    assume(t3 < t2 or (t4 - t1) - (t3 - t2) < -STAMP_ROUNDING_S)
    with pytest.raises(InputError, match="do not fit"):
        measured(t1, t2, t3, t4)
