"""Proofs: true dots, what is lost, and a view on which everything stands in its place."""

import io
from dataclasses import replace
from typing import Any

import numpy as np
import pytest
from PIL import Image

from machines.imaging.plate import Plate
from machines.imaging.proof import (
    HIGHEST_VIEW_PX,
    as_seen,
    encoded,
    hanging,
    stretch,
    true_png,
    view_png,
    with_dead_nozzles,
    with_slip,
)
from machines.imaging.rulers import Mark, Ruler, mm_ruler
from machines.model.head import lost_share
from machines.model.profile import Knife, LineHead
from tests.machines.imaging.test_rulers import PROFILE

LEFTWARD = replace(PROFILE, travel="left")


def random_dots(rows: int, columns: int) -> np.ndarray:
    return np.random.default_rng(1).random((rows, columns)) < 0.4


def opened(png: bytes) -> Image.Image:
    return Image.open(io.BytesIO(png), formats=["PNG"])


def test_moving_right_the_newest_column_is_at_the_left() -> None:
    dots = random_dots(10, 20)
    assert np.array_equal(as_seen(dots, PROFILE)[:, 0], dots[:, -1])
    assert np.array_equal(as_seen(dots, LEFTWARD), dots)


@pytest.mark.parametrize("profile", [PROFILE, LEFTWARD])
def test_true_dots_are_the_dots_and_true_to_size(profile: Any) -> None:
    dots = random_dots(50, 70)
    png = true_png(dots, profile)
    assert np.array_equal(as_seen(Plate.from_png(png).dots, profile), dots)
    # PNG holds whole dots a metre, here 0.1 mm by 0.1 mm a dot.
    assert opened(png).info["dpi"] == pytest.approx((254.0, 254.0), rel=1e-3)


def test_what_hangs_between_head_and_knife() -> None:
    profile = replace(PROFILE, knife=Knife(head_to_knife_mm=180.0, cuts_per_blade=100))
    assert hanging(profile, 10_000) == range(8200, 10_000)
    assert len(hanging(PROFILE, 10_000)) == 0


def test_the_first_metre_of_a_run() -> None:
    assert stretch(PROFILE, 1234, 1000.0) == range(1234, 11_234)
    assert len(stretch(PROFILE, 0, 0.001)) == 1


def test_dead_nozzles_lose_their_share() -> None:
    dots = np.ones((400, 900), dtype=bool)
    assert np.array_equal(with_dead_nozzles(dots, PROFILE, 0, 1, {0, 1}), dots)
    lost = 1 - with_dead_nozzles(dots, PROFILE, 0, 1, set(range(6))).mean()
    assert lost == pytest.approx(lost_share(12, 3, 6), abs=0.003)


def test_a_dead_element_of_a_line_head_leaves_its_row_blank() -> None:
    profile = replace(PROFILE, head=LineHead(dot_current_a=0.03, supply_current_a=2.0, strobe_s=0.001))
    dots = random_dots(30, 40)
    laid = with_dead_nozzles(dots, profile, 0, 1, {7})
    assert not laid[7].any()
    assert np.array_equal(np.delete(laid, 7, axis=0), np.delete(dots, 7, axis=0))


def test_slip_shortens_the_picture_and_overlays_columns() -> None:
    dots = np.eye(100, dtype=bool)
    laid = with_slip(dots, 0.1)
    assert laid.shape == (100, 90)
    assert laid.sum() == 100
    assert np.flatnonzero(laid[50]).tolist() == [45]
    assert np.array_equal(with_slip(dots, 0.0), dots)


def test_paper_that_runs_ahead_opens_gaps() -> None:
    laid = with_slip(np.ones((3, 100), dtype=bool), -0.1)
    assert laid.shape[1] == 109
    assert (~laid.any(axis=0)).sum() == 9


@pytest.mark.parametrize("slip", [1.0, -1.0, float("nan")])
def test_impossible_slip(slip: float) -> None:
    with pytest.raises(ValueError, match="slip"):
        with_slip(np.ones((2, 2), dtype=bool), slip)


def test_a_view_has_the_papers_proportions_and_a_strip_for_each_ruler() -> None:
    dots = np.zeros((2000, 3600), dtype=bool)
    plain = opened(view_png(dots, PROFILE, 0, width_px=900))
    assert plain.size == (900, 500)
    ruled = opened(
        view_png(dots, PROFILE, 0, above=[mm_ruler(PROFILE, 0, 3600)] * 2, below=[Ruler("x", ())], width_px=900)
    )
    assert ruled.size == (900, 500 + 3 * 34)


@pytest.mark.parametrize("profile", [PROFILE, LEFTWARD])
def test_marks_and_cuts_stand_where_their_columns_are(profile: Any) -> None:
    dots = np.zeros((2000, 3600), dtype=bool)
    dots[:, 900] = True
    ruler = Ruler("", (Mark(5000 + 900.5, ""),))
    image = np.asarray(opened(view_png(dots, profile, 5000, below=[ruler], cuts=[5000 + 2700], width_px=3600)))
    paper, strip = image[:2000], image[2001:2009]
    lines = np.flatnonzero(paper[1000] < 255)
    expected = 900 if profile.travel == "left" else 3600 - 901
    assert expected in lines
    assert abs(lines - (2700 if profile.travel == "left" else 900)).min() <= 2
    assert abs(np.flatnonzero((strip < 100).all(axis=0)) - expected).min() <= 1


def test_a_tint_looks_as_dark_as_it_will() -> None:
    """Half the paper covered reflects half the light, which sRGB writes as 188 of 255 (IEC 61966-2-1, from memory)."""
    dots = np.indices((2000, 3600)).sum(axis=0) % 2 == 0
    image = np.asarray(opened(view_png(dots, PROFILE, 0, width_px=360)))
    assert image.mean() == pytest.approx(188, abs=1)


def test_srgb_encoding_meets_itself_and_its_ends() -> None:
    assert encoded(np.array([0.0, 1.0], dtype=np.float32)) == pytest.approx([0.0, 1.0])
    near = encoded(np.array([0.0031307, 0.0031309], dtype=np.float32))
    assert near[1] - near[0] == pytest.approx(0.0, abs=1e-5)


def test_nozzles_known_to_be_dead_cost_no_dot_and_leave_fewer_for_the_next_to_die() -> None:
    solid = np.ones((400, 2000), dtype=np.bool_)
    known = (2, 9)
    assert with_dead_nozzles(solid, PROFILE, 0, 1, known, known).all()
    assert not with_dead_nozzles(solid, PROFILE, 0, 1, (*known, 5)).all()  # three of twelve, and nobody told the plan
    # Of the ten that are left three die unnoticed; each dot is set by three of the ten.
    lost = 1.0 - with_dead_nozzles(solid, PROFILE, 0, 1, (*known, 0, 5, 7), known).mean()
    assert lost == pytest.approx(lost_share(10, 3, 3), rel=0.1)


@pytest.mark.parametrize("columns", [1, 3])
def test_a_few_columns_across_wide_paper_are_no_tower(columns: int) -> None:
    image = opened(view_png(random_dots(2000, columns), PROFILE, 0))
    assert image.size == (1600, HIGHEST_VIEW_PX)
