"""The zones that are named after places near a place."""

from __future__ import annotations

import pytest

from scheduling.sky.near_zones import zones_near
from scheduling.sky.zones import zone_names


@pytest.mark.parametrize(
    ("latitude", "longitude", "name", "km"),
    [
        (38.7167, -9.1333, "Europe/Lisbon", 0.0),
        (48.87, 2.33, "Europe/Paris", 0.5),  # +4852+00220
        (-43.95, -176.55, "Pacific/Chatham", 0.0),
        # A degree of latitude is 111.19 km.
        (52.5, 13.37, "Europe/Berlin", 0.2),
        # Suva is at 18.13 S, 178.42 E: 126 km of latitude, and 178 km across the meridian of 180 degrees.
        (-17.0, -179.9, "Pacific/Fiji", 218.0),
    ],
)
def test_the_nearest_is_the_one_whose_place_it_is(latitude: float, longitude: float, name: str, km: float) -> None:
    first, second, third = zones_near(latitude, longitude)
    assert first.name == name and first.km == pytest.approx(km, rel=0.02, abs=1.0)
    assert first.km <= second.km <= third.km


def test_every_place_of_the_table_names_a_zone_that_there_is() -> None:
    assert {one.name for one in zones_near(0.0, 0.0, 1000)} <= zone_names()
    assert len(zones_near(0.0, 0.0, 1000)) > 300
    assert max(one.km for one in zones_near(0.0, 0.0, 1000)) < 20_016.0
