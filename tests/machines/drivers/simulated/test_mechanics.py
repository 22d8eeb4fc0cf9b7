"""Where the paper truly is: what was fed, what slipped and what was put right, and never back."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from machines.drivers.simulated.mechanics import FILE_NAME, Body, fed_to, keep_body, read_body, shifted


def columns(first: int, end: int) -> np.ndarray:
    return np.arange(first, end, dtype=np.int64)


def test_a_true_feed_brings_the_paper_where_it_was_ordered() -> None:
    body, lies = fed_to(Body(), columns(0, 10), 1.0)
    assert lies.tolist() == list(range(10))
    assert body == Body(standing=9, true_place=9.0)
    assert body.plain


def test_a_slip_adds_up() -> None:
    body, lies = fed_to(Body(), columns(1, 1001), 0.995)
    assert lies[-1] == pytest.approx(995.0)
    body, lies = fed_to(body, columns(1001, 2001), 1.0)
    assert lies[-1] == pytest.approx(1995.0), "what has slipped stays slipped"
    assert not body.plain


def test_places_left_out_are_fed_like_any_other() -> None:
    body, _ = fed_to(Body(), columns(0, 5), 0.9)
    body, lies = fed_to(body, columns(100, 101), 0.9)
    assert lies.tolist() == pytest.approx([90.0])


def test_paper_that_is_held_back_stands_still_and_comes_less_far() -> None:
    body = shifted(Body(standing=10, true_place=10.0), -2.5)
    assert body.true_place == 10.0
    body, lies = fed_to(body, columns(11, 16), 1.0)
    assert lies.tolist() == [10.0, 10.0, 10.5, 11.5, 12.5]
    assert body.owed == 0.0


def test_paper_that_is_held_back_further_than_is_fed_goes_on_standing() -> None:
    body, lies = fed_to(shifted(Body(), -5.0), columns(1, 4), 1.0)
    assert lies.tolist() == [0.0, 0.0, 0.0]
    assert body.owed == pytest.approx(2.0)
    _, lies = fed_to(body, columns(4, 8), 1.0)
    assert lies.tolist() == [0.0, 0.0, 1.0, 2.0]


def test_paper_that_is_pulled_on_is_there_at_once() -> None:
    assert shifted(Body(standing=3, true_place=2.0), 1.5).true_place == 3.5


@given(
    st.lists(
        st.one_of(
            st.tuples(st.just("feed"), st.integers(1, 50), st.floats(0.5, 2.0)),
            st.tuples(st.just("shift"), st.floats(-20.0, 20.0), st.just(1.0)),
        ),
        max_size=30,
    )
)
def test_paper_never_goes_back(orders: list[tuple[str, float, float]]) -> None:
    body, before, fed, shifts = Body(), 0.0, 0.0, 0.0
    for order, amount, gain in orders:
        if order == "feed":
            places = columns(body.standing + 1, body.standing + 1 + int(amount))
            body, lies = fed_to(body, places, gain)
            assert (np.diff(np.concatenate([[before], lies])) >= -1e-9).all()
            fed += amount * gain
        else:
            body, shifts = shifted(body, amount), shifts + amount
        assert body.true_place >= before - 1e-9
        before = body.true_place
    assert body.true_place - body.owed == pytest.approx(fed + shifts, abs=1e-6), "nothing is lost or made up"


def test_of_a_paper_that_was_never_wrong_nothing_is_kept(tmp_path: Path) -> None:
    keep_body(tmp_path, Body(standing=7, true_place=7.0))
    assert not (tmp_path / FILE_NAME).exists()
    assert read_body(tmp_path, 8) == Body(standing=7, true_place=7.0)
    assert read_body(tmp_path, 0) == Body()


def test_what_was_kept_is_read_and_kept_on(tmp_path: Path) -> None:
    wrong = Body(standing=7, true_place=6.5, owed=0.25, as_of=100.0)
    keep_body(tmp_path, wrong)
    assert read_body(tmp_path, 8) == wrong
    keep_body(tmp_path, Body(standing=9, true_place=9.0, as_of=100.0))
    assert read_body(tmp_path, 10).as_of == 100.0
