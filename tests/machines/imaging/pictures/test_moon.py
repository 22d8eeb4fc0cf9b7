"""The Moon's disc: area, tilt, handedness and place."""

from typing import Any

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from machines.errors import InputError
from machines.imaging.pictures import MoonDisc, Sheet, SkyNumbers
from machines.imaging.pictures.moon import age_in_words

SHEET = Sheet(columns=2000, rows=800, width_mm=200.0, height_mm=80.0)


def draw(fraction: float, angle: float, sheet: Sheet = SHEET, **parameters: Any) -> Any:
    sky = SkyNumbers(moon_lit_fraction=fraction, moon_limb_angle_degrees=angle)
    return MoonDisc(**parameters).draw(sky, sheet)


def as_seen(tone: np.ndarray, sheet: Sheet = SHEET) -> Any:
    """The paper as a viewer sees it."""
    return tone[:, ::-1] if sheet.travel == "right" else tone


@settings(max_examples=25, deadline=None)
@given(fraction=st.floats(0, 1), angle=st.floats(-360, 360))
def test_the_lit_share_of_the_disc_is_the_lit_fraction(fraction: float, angle: float) -> None:
    sheet = Sheet(columns=700, rows=400, width_mm=140.0, height_mm=80.0)
    lit = draw(fraction, angle, sheet, dark_ink=0.0).sum()
    disc = draw(1.0, angle, sheet).sum()
    assert lit / disc == pytest.approx(fraction, abs=0.002)
    assert disc * 0.04 == pytest.approx(np.pi * 30**2, rel=0.001)


@pytest.mark.parametrize("travel", ["right", "left"])
@pytest.mark.parametrize(("angle", "towards"), [(0, (-1, 0)), (90, (0, -1)), (180, (1, 0)), (270, (0, 1))])
def test_the_bright_limb_leans_as_in_the_sky(angle: float, towards: tuple[int, int], travel: str) -> None:
    """0 is up, 90 is left (east, in the sky with north up), 180 down, 270 right (west), whichever way the paper
    moves."""
    sheet = Sheet(columns=2000, rows=800, width_mm=200.0, height_mm=80.0, travel=travel)
    seen = as_seen(draw(0.3, angle, sheet, dark_ink=0.0), sheet)
    rows, columns = np.nonzero(seen > 0.5)
    offset = np.array([rows.mean() - 399.5, columns.mean() - 999.5])
    assert offset / np.linalg.norm(offset) == pytest.approx(towards, abs=0.01)


def test_a_quarter_moon_has_a_straight_terminator() -> None:
    seen = as_seen(draw(0.5, 270, dark_ink=0.0))
    assert not seen[:, :999].any()
    assert seen[400, 1001:1299].min() == 1.0


def test_the_terminator_is_half_an_ellipse() -> None:
    """On the line through the middle, along the bright limb, the lit part is the lit fraction of the diameter."""
    for fraction in (0.1, 0.4, 0.7, 0.95):
        seen = as_seen(draw(fraction, 270, dark_ink=0.0))
        assert seen[400].sum() == pytest.approx(600 * fraction, abs=1.5)
    seen = as_seen(draw(0.25, 270, dark_ink=0.0))
    half_way_up = 400 - 150  # sin 30 degrees of the radius: the chord is cos 30 degrees
    assert seen[half_way_up].sum() == pytest.approx(600 * np.cos(np.radians(30)) * 0.25, abs=1.5)


def test_one_moon_is_centred_at_phase_one_half_and_whole() -> None:
    tone = draw(1.0, 0.0)
    columns = np.flatnonzero(tone.any(axis=0))
    assert (columns[0] + columns[-1] + 1) / 2 == 1000
    assert not tone[:, [0, -1]].any()


def test_several_moons_stand_evenly_and_the_closing_falls_between() -> None:
    tone = draw(1.0, 0.0, discs=4, diameter_mm=40.0)
    for index in range(4):
        assert np.array_equal(tone[:, :500], tone[:, index * 500 : index * 500 + 500])
    assert not tone[:, [0, -1]].any()


def test_tones() -> None:
    tone = draw(0.5, 270.0, lit_ink=0.1, dark_ink=0.8, sky_ink=0.9)
    seen = as_seen(tone)
    assert [seen[400, 100], seen[400, 800], seen[400, 1200]] == pytest.approx([0.9, 0.8, 0.1])


def test_a_moon_as_wide_as_the_turn_still_fits() -> None:
    tone = draw(1.0, 0.0, Sheet(columns=500, rows=800, width_mm=50.0, height_mm=80.0), diameter_mm=50.0)
    assert tone.sum() * 0.01 == pytest.approx(np.pi * 25**2, rel=0.001)


def test_a_moon_that_does_not_fit_is_refused_with_what_would() -> None:
    with pytest.raises(InputError, match="at most 80 mm") as caught:
        draw(0.5, 0.0, diameter_mm=90.0)
    assert caught.value.field == "diameter_mm"
    with pytest.raises(InputError, match="at most 50 mm"):
        draw(0.5, 0.0, diameter_mm=60.0, discs=4)


def test_numbers_are_checked() -> None:
    with pytest.raises(InputError, match=r"sky\.moon_lit_fraction: missing"):
        MoonDisc().draw(SkyNumbers(), SHEET)
    with pytest.raises(InputError, match=r"sky\.moon_limb_angle_degrees: missing"):
        MoonDisc().draw(SkyNumbers(moon_lit_fraction=0.5), SHEET)
    with pytest.raises(InputError, match=r"sky\.moon_lit_fraction"):
        draw(1.2, 0.0)
    for parameters in ({"diameter_mm": 0.0}, {"discs": 0}, {"lit_ink": 2.0}):
        with pytest.raises(InputError) as caught:
            MoonDisc(**parameters)
        assert caught.value.field == next(iter(parameters))


@pytest.mark.parametrize(
    ("age_days", "words"),
    [
        (0.3, "new Moon, 0 days"),
        (1.2, "waxing crescent, 1 day"),
        (7.0, "first quarter, 7 days"),
        (11.5, "waxing gibbous, 11 days"),
        (15.2, "full Moon, 15 days"),
        (18.0, "waning gibbous, 18 days"),
        (22.5, "last quarter, 22 days"),
        (27.0, "waning crescent, 27 days"),
        (29.2, "new Moon, 29 days"),
    ],
)
def test_age_in_words(age_days: float, words: str) -> None:
    assert age_in_words(age_days) == words


@pytest.mark.parametrize("travel", ["right", "left"])
def test_a_caption_stands_under_the_disc_and_reads_from_the_left(travel: Any) -> None:
    sheet = Sheet(columns=2000, rows=800, width_mm=200.0, height_mm=80.0, travel=travel)
    sky = SkyNumbers(moon_lit_fraction=0.9, moon_limb_angle_degrees=270.0, moon_age_days=11.5)
    seen = as_seen(MoonDisc(caption_mm=6.0).draw(sky, sheet), sheet)
    caption = seen[((34 + 30) * 10) + 5 :]
    rows, columns = np.nonzero(caption > 0.5)
    assert np.ptp(rows) < 60
    assert (columns.min() + columns.max()) / 2 == pytest.approx(1000, abs=10)
    assert np.ptp(columns) > 400
    # "waxing gibbous, 11 days": two straight strokes stand right of the middle, and the tail of the y is the last but
    # one.
    tail = columns[rows > rows.max() - 3]
    assert tail.max() > 1150


def test_a_caption_takes_room_from_the_disc() -> None:
    sky = SkyNumbers(moon_lit_fraction=0.5, moon_limb_angle_degrees=0.0, moon_age_days=7.0)
    with pytest.raises(InputError, match="at most 64 mm"):
        MoonDisc(diameter_mm=65.0, caption_mm=8.0).draw(sky, SHEET)
    with pytest.raises(InputError, match=r"sky\.moon_age_days: missing"):
        MoonDisc(caption_mm=5.0).draw(SkyNumbers(moon_lit_fraction=0.5, moon_limb_angle_degrees=0.0), SHEET)


def test_a_caption_longer_than_the_turn_is_made_smaller() -> None:
    narrow = Sheet(columns=300, rows=400, width_mm=30.0, height_mm=40.0)
    sky = SkyNumbers(moon_lit_fraction=0.5, moon_limb_angle_degrees=0.0, moon_age_days=11.0)
    tone = MoonDisc(diameter_mm=20.0, caption_mm=8.0, dark_ink=0.0, lit_ink=0.0).draw(sky, narrow)
    inked = np.flatnonzero((tone > 0.3).any(axis=0))
    assert 15 <= inked[0] < inked[-1] <= 285
