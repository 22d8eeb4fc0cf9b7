"""Which nozzle sets which dot: every dot by distinct ones, the same whoever plans, and what dead ones cost."""

import tracemalloc
from fractions import Fraction
from math import comb

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from machines.errors import InputError
from machines.model.head import HeadPlan, lost_share, plan
from machines.model.profile import CarriageHead

HEAD = CarriageHead(nozzles=12, passes=3, drop_pl=10.0)


def random_dots(rows: int, columns: int, seed: int = 1, share: float = 0.4) -> np.ndarray:
    return np.random.default_rng(seed).random((rows, columns)) < share


def simulated(head_plan: HeadPlan, columns: int, rows: int) -> np.ndarray:
    """Drops on the paper, by letting it pass under the nozzles step by step; shape (rows, columns)."""
    paper = np.zeros((rows, columns), dtype=int)
    for step in head_plan.steps:
        for nozzle, row in np.argwhere(head_plan.fired(step)):
            paper[row, step - nozzle - head_plan.first_column] += 1
    return paper


def test_every_dot_gets_its_passes_and_nothing_else_gets_any() -> None:
    dots = random_dots(40, 30)
    assert np.array_equal(simulated(plan(dots, 1000, HEAD, seed=7), 30, 40), dots * 3)


def test_the_bits_of_a_mask_are_distinct_nozzles() -> None:
    dots = random_dots(200, 50)
    masks = plan(dots, 0, HEAD, seed=1).masks()
    assert masks.dtype == np.uint16
    assert masks.shape == (200, 50)
    assert np.array_equal(np.bitwise_count(masks), dots * 3)
    assert masks.max() < 1 << 12


def test_masks_and_steps_say_the_same() -> None:
    dots = random_dots(30, 20)
    head_plan = plan(dots, 500, HEAD, seed=3)
    masks = head_plan.masks()
    for step in head_plan.steps:
        fired = head_plan.fired(step)
        for nozzle in range(12):
            column = step - nozzle - 500
            expected = masks[:, column] >> nozzle & 1 if 0 <= column < 20 else np.zeros(30)
            assert np.array_equal(fired[nozzle], expected)


def test_lead_in_and_lead_out_are_the_steps_with_some_nozzle_beyond_the_segment() -> None:
    head_plan = plan(np.ones((8, 5), dtype=bool), 100, HEAD, seed=1)
    assert head_plan.steps == range(100, 116)
    assert not head_plan.fired(100)[1:].any()  # only nozzle 0 is over the segment
    assert not head_plan.fired(115)[:-1].any()  # only nozzle 11 still is


@settings(max_examples=40, deadline=None)
@given(
    first=st.integers(-(10**6), 10**12),
    columns=st.integers(1, 60),
    cut=st.integers(0, 60),
    seed=st.integers(-(2**70), 2**70),
    nozzles=st.integers(1, 40),
    passes=st.integers(1, 5),
)
def test_a_plan_does_not_depend_on_how_columns_are_cut_into_segments(
    first: int, columns: int, cut: int, seed: int, nozzles: int, passes: int
) -> None:
    head = CarriageHead(nozzles=nozzles, passes=min(passes, nozzles), drop_pl=1.0)
    dots = random_dots(17, columns)
    cut = min(cut, columns)
    whole = plan(dots, first, head, seed)
    left, right = plan(dots[:, :cut], first, head, seed), plan(dots[:, cut:], first + cut, head, seed)
    assert np.array_equal(whole.numbers, np.concatenate([left.numbers, right.numbers], axis=1))
    for step in (first, first + cut, first + columns):
        union = np.zeros((nozzles, 17), dtype=bool)
        for part in (left, right):
            if step in part.steps:
                union |= part.fired(step)
        if step in whole.steps:
            assert np.array_equal(whole.fired(step), union)


def test_the_choice_for_a_dot_does_not_depend_on_the_other_dots() -> None:
    one, other = random_dots(50, 40, seed=1), random_dots(50, 40, seed=2)
    both = one & other
    assert np.array_equal(plan(one, 9, HEAD, 5).masks()[both], plan(other, 9, HEAD, 5).masks()[both])


def test_a_plan_is_the_same_on_every_machine() -> None:
    """Pinned: a node and a server of different versions must agree, so a change here is a change of format."""
    masks = plan(np.ones((4, 3), dtype=bool), 123_456_789, HEAD, seed=42).masks()
    assert masks.tolist() == PINNED


PINNED = [[524, 176, 1216], [1540, 11, 416], [2116, 292, 3328], [517, 7, 769]]


def test_another_seed_is_another_pattern() -> None:
    dots = np.ones((100, 100), dtype=bool)
    same = plan(dots, 0, HEAD, 1).numbers == plan(dots, 0, HEAD, 2).numbers
    assert same.mean() < 0.01


@pytest.mark.parametrize(("nozzles", "passes"), [(12, 3), (12, 1), (7, 7), (64, 4), (300, 3)])
def test_nozzles_wear_alike(nozzles: int, passes: int) -> None:
    head = CarriageHead(nozzles=nozzles, passes=passes, drop_pl=1.0)
    dots = random_dots(1000, 600)
    drops = plan(dots, 0, head, 1).drops()
    assert drops.sum() == dots.sum() * passes
    chance = np.sqrt(drops.mean())
    assert np.abs(drops - drops.mean()).max() < 0.002 * drops.mean() + 4.5 * chance


def test_all_choices_are_alike() -> None:
    masks = plan(np.ones((1000, 1100), dtype=bool), 0, HEAD, 1).masks()
    _, times = np.unique(masks, return_counts=True)
    assert len(times) == comb(12, 3)
    assert times == pytest.approx(5000, abs=5 * np.sqrt(5000))


def test_neighbours_choose_independently() -> None:
    """Along and across, near and at the chunks of the planning: equal choices are as rare as by chance."""
    masks = plan(np.ones((600, 600), dtype=bool), 0, HEAD, 1).masks().astype(int)
    expected = 1 / 220
    for down, along in [(0, 1), (1, 0), (1, 1), (1, -1), (0, 16), (16, 0), (0, 256), (256, 0)]:
        equal = masks == np.roll(masks, (down, along), axis=(0, 1))
        assert equal.mean() == pytest.approx(expected, abs=5 * np.sqrt(expected / equal.size))


def test_the_expected_share_of_lost_dots() -> None:
    """Print arithmetic of common practice, no source: 3 of 12 dead loses 3C3/12C3 = 1/220."""
    assert lost_share(12, 3, 3) == pytest.approx(1 / 220)
    assert lost_share(12, 3, 2) == 0.0
    assert lost_share(12, 1, 3) == pytest.approx(1 / 4)
    assert lost_share(12, 3, 12) == 1.0


@pytest.mark.parametrize(("passes", "dead"), [(3, {0, 5, 7}), (3, {0, 1, 2}), (2, {3, 11}), (3, set(range(6)))])
def test_simulation_loses_what_the_closed_form_says(passes: int, dead: set[int]) -> None:
    head = CarriageHead(nozzles=12, passes=passes, drop_pl=1.0)
    dots = np.ones((1000, 1500), dtype=bool)
    lost = 1 - plan(dots, 0, head, 1).laid(dead).mean()
    expected = lost_share(12, passes, len(dead))
    assert lost == pytest.approx(expected, abs=0.006 * expected + 4.5 * np.sqrt(expected / dots.size))


def test_drawing_with_repetition_would_lose_more() -> None:
    """The other figure of the print arithmetic, (3/12)^3 = 1/64: the three nozzles of a dot drawn independently."""
    drawn = np.random.default_rng(3).integers(0, 12, size=(1_000_000, 3))
    lost = (drawn < 3).all(axis=1).mean()
    assert lost == pytest.approx(1 / 64, rel=0.03)
    assert Fraction(3, 12) ** 3 == Fraction(1, 64)


def test_no_dot_is_lost_with_fewer_dead_than_passes() -> None:
    dots = random_dots(100, 100)
    assert np.array_equal(plan(dots, 0, HEAD, 1).laid({2, 9}), dots)


def test_what_is_laid_is_what_living_nozzles_fire() -> None:
    dots, dead = random_dots(30, 25), {1, 4, 6, 8, 10}
    head_plan = plan(dots, 0, HEAD, 1)
    masks = head_plan.masks()
    living = sum(1 << nozzle for nozzle in range(12) if nozzle not in dead)
    assert np.array_equal(head_plan.laid(dead), (masks & living) > 0)
    assert not head_plan.laid(range(12)).any()


@pytest.mark.parametrize("dead", [{0}, {0, 3, 11}, set(range(9))])
def test_known_dead_nozzles_are_left_out_and_nothing_is_lost(dead: set[int]) -> None:
    dots = random_dots(300, 300)
    head_plan = plan(dots, 0, HEAD, 1, dead=dead)
    drops = head_plan.drops()
    assert not drops[sorted(dead)].any()
    living = np.delete(drops, sorted(dead))
    assert np.abs(living - living.mean()).max() < 0.002 * living.mean() + 4.5 * np.sqrt(living.mean())
    assert np.array_equal(head_plan.laid(dead), dots)


@pytest.mark.parametrize("dead", [{12}, {-1}, set(range(10))])
def test_impossible_dead_nozzles_are_refused(dead: set[int]) -> None:
    with pytest.raises(InputError) as caught:
        plan(random_dots(8, 8), 0, HEAD, 1, dead=dead)
    assert caught.value.field == "dead"


def test_a_head_of_many_nozzles_has_no_masks_but_fires() -> None:
    head = CarriageHead(nozzles=300, passes=3, drop_pl=1.0)
    dots = random_dots(10, 20)
    head_plan = plan(dots, 0, head, 1)
    with pytest.raises(ValueError, match="do not fit"):
        head_plan.masks()
    assert np.array_equal(simulated(head_plan, 20, 10), dots * 3)


def test_a_plan_takes_less_than_six_bytes_a_dot() -> None:
    dots = random_dots(2953, 500)
    plan(dots[:, :20], 0, HEAD, 1)  # the table of choices is made once
    tracemalloc.start()
    head_plan = plan(dots, 0, HEAD, 1)
    _, peak = tracemalloc.get_traced_memory()
    tracemalloc.stop()
    assert head_plan.numbers.nbytes == 2 * dots.size
    assert peak < 6 * dots.size
