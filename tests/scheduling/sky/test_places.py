from __future__ import annotations

import math

import pytest
from hypothesis import given
from hypothesis import strategies as st

from machines.errors import InputError
from scheduling.sky.places import Place, PlaceError


@given(st.floats(-90, 90), st.floats(-180, 180), st.floats(-500, 10_000))
def test_every_point_of_the_earth_is_a_place(latitude: float, longitude: float, elevation_m: float) -> None:
    place = Place(latitude, longitude, elevation_m)
    assert (place.latitude_degrees, place.longitude_degrees, place.elevation_m) == (latitude, longitude, elevation_m)


def test_elevation_is_zero_unless_given() -> None:
    assert Place(1.0, 2.0) == Place(1.0, 2.0, 0.0)


@pytest.mark.parametrize(
    ("latitude", "longitude", "elevation_m", "field"),
    [
        (90.001, 0.0, 0.0, "latitude_degrees"),
        (-91.0, 0.0, 0.0, "latitude_degrees"),
        (math.nan, 0.0, 0.0, "latitude_degrees"),
        (0.0, 180.1, 0.0, "longitude_degrees"),
        (0.0, 360.0, 0.0, "longitude_degrees"),
        (0.0, math.inf, 0.0, "longitude_degrees"),
        (0.0, 0.0, -501.0, "elevation_m"),
        (0.0, 0.0, 10_001.0, "elevation_m"),
    ],
)
def test_a_coordinate_out_of_range_is_refused_by_name(
    latitude: float, longitude: float, elevation_m: float, field: str
) -> None:
    with pytest.raises(PlaceError) as refused:
        Place(latitude, longitude, elevation_m)
    assert refused.value.field == field
    assert isinstance(refused.value, InputError)
    assert "give" in str(refused.value)


@pytest.mark.parametrize(
    ("place", "text"),
    [
        (Place(38.72, -9.14), "38.7200°N 9.1400°W"),
        (Place(-43.95, -176.55), "43.9500°S 176.5500°W"),
        (Place(0.0, 0.0), "0.0000°N 0.0000°E"),
    ],
)
def test_a_place_is_written_with_its_hemispheres(place: Place, text: str) -> None:
    assert str(place) == text


def test_places_can_be_keys() -> None:
    assert {Place(1.0, 2.0): "here"}[Place(1.0, 2.0)] == "here"
