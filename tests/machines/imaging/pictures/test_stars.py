"""The star belt."""

from typing import Any

import numpy as np
import pytest

from machines.errors import InputError
from machines.imaging.pictures import Sheet, SkyNumbers, StarBelt, read_stars

SHEET = Sheet(columns=3600, rows=1200, width_mm=360.0, height_mm=120.0)


def draw(*stars: Any, sheet: Sheet = SHEET, **parameters: Any) -> Any:
    ra, dec, magnitude = np.array(stars, dtype=float).reshape(-1, 3).T
    sky = SkyNumbers(star_ra_degrees=ra, star_dec_degrees=dec, star_magnitude=magnitude)
    return StarBelt(**parameters).draw(sky, sheet)


def centre(tone: np.ndarray) -> Any:
    rows, columns = np.indices(tone.shape)
    return [float((places * tone).sum() / tone.sum() + 0.5) for places in (rows, columns)]


def test_a_star_stands_at_its_right_ascension_and_declination() -> None:
    assert centre(draw((90.0, 30.0, 0.0))) == pytest.approx([300.0, 900.0], abs=0.01)


def test_its_disc_has_the_area_of_its_magnitude() -> None:
    for magnitude, diameter_mm in [(0.0, 2.0), (1.0, 1.262), (5.0, 0.2001), (6.0, 0.15)]:
        area_mm2 = draw((90.03, 30.01, magnitude)).sum() * 0.01
        assert area_mm2 == pytest.approx(np.pi * diameter_mm**2 / 4, rel=0.06)


def test_a_disc_over_the_closing_of_the_turn_is_whole() -> None:
    whole, closing = draw((180.0, 0.0, 0.0)), draw((0.0, 0.0, 0.0))
    assert np.array_equal(np.roll(whole, 1800, axis=1), closing)


def test_a_disc_over_the_edge_is_cut_and_one_beyond_is_left_out() -> None:
    assert draw((90.0, 60.0, 0.0)).sum() == pytest.approx(draw((90.0, 0.0, 0.0)).sum() / 2, rel=0.01)
    assert not draw((90.0, 75.0, 0.0), (90.0, -75.0, 0.0)).any()


def test_faint_stars_are_left_out() -> None:
    assert not draw((90.0, 0.0, 4.6), faintest_magnitude=4.5).any()


def test_two_stars_that_overlap_are_no_darker_than_one() -> None:
    tone = draw((90.0, 0.0, 0.0), (90.05, 0.0, 0.0), ink=0.7)
    assert tone.max() == pytest.approx(0.7)


def test_the_catalogue_holds_what_it_should() -> None:
    """Sirius and Polaris, places of J2000 from memory; the count is the data file's own."""
    stars = read_stars()
    assert len(stars.hip) == len(stars.magnitude) == 5044
    sirius, polaris = (int(np.flatnonzero(stars.hip == hip)[0]) for hip in (32349, 11767))
    places = np.column_stack([stars.ra_degrees_j2000, stars.dec_degrees_j2000])
    assert places[sirius] == pytest.approx([101.29, -16.72], abs=0.01)
    assert places[polaris] == pytest.approx([37.95, 89.26], abs=0.01)
    assert stars.magnitude[sirius] == stars.magnitude.min()


def test_the_whole_catalogue_draws() -> None:
    stars = read_stars()
    sky = SkyNumbers(
        star_ra_degrees=stars.ra_degrees_j2000, star_dec_degrees=stars.dec_degrees_j2000, star_magnitude=stars.magnitude
    )
    tone = StarBelt().draw(sky, SHEET)
    assert 0.001 < tone.mean() < 0.01


def test_without_stars_it_says_so() -> None:
    with pytest.raises(InputError, match=r"sky\.star_magnitude: missing"):
        StarBelt().draw(SkyNumbers(), SHEET)


@pytest.mark.parametrize(
    "parameters",
    [
        {"south_degrees": 60.0},
        {"magnitude_0_mm": 0.0},
        {"ratio_per_magnitude": 1.5},
        {"ink": -0.1},
        {"faintest_magnitude": 99.0},
    ],
)
def test_parameters_are_checked_at_the_door(parameters: Any) -> None:
    with pytest.raises(InputError) as caught:
        StarBelt(**parameters)
    assert caught.value.field == next(iter(parameters))


def test_the_ecliptic_crosses_the_equator_and_reaches_the_obliquity() -> None:
    sky = SkyNumbers(
        star_ra_degrees=np.array([]),
        star_dec_degrees=np.array([]),
        star_magnitude=np.array([]),
        obliquity_degrees=23.44,
    )
    tone = StarBelt(ecliptic=True, line_mm=0.3).draw(sky, SHEET)
    rows = np.array([np.average(np.arange(1200) + 0.5, weights=column) for column in tone.T])
    declinations = 60 - rows / 10
    assert declinations[[0, 900, 1800, 2700]] == pytest.approx([0, 23.44, 0, -23.44], abs=0.1)
    assert tone.max() == pytest.approx(0.5)
    assert np.abs(np.diff([rows[-1], rows[0]])) < 1.0


def test_the_moons_path_runs_over_the_closing_without_a_stroke_back() -> None:
    path = {"moon_ra_degrees": np.array([350.0, 357.0, 4.0, 11.0]), "moon_dec_degrees": np.array([5.0, 6.0, 7.0, 8.0])}
    none = {"star_ra_degrees": np.array([]), "star_dec_degrees": np.array([]), "star_magnitude": np.array([])}
    tone = StarBelt(moon_path=True).draw(SkyNumbers(**path, **none), SHEET)
    assert tone[:, [*range(3510, 3600), *range(100)]].any(axis=0).all()
    assert not tone[:, 150:3450].any()


def test_a_belt_changes_only_with_the_moon_on_it() -> None:
    assert [StarBelt(moon_path=shown).changes_with_turn for shown in (False, True)] == [False, True]
    with pytest.raises(InputError, match=r"sky\.obliquity_degrees: missing"):
        draw((0.0, 0.0, 0.0), ecliptic=True)
    with pytest.raises(InputError, match=r"sky\.moon_ra_degrees: missing"):
        draw((0.0, 0.0, 0.0), moon_path=True)
